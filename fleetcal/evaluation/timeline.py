"""Everything on record about one vehicle, newest first, in words."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from fleetcal.fleet.models import Vehicle
from fleetcal.records.models import Calibration, Check, Inspection, Installation, Repair
from fleetcal.records.models.checks import Purpose
from fleetcal.records.models.installations import InstallationItem


@dataclass(frozen=True, slots=True)
class TimelineItem:
    """One record. *kind* is the name of its page; *state* says whether it still counts; everyday tickets are many."""

    at: datetime
    kind: str
    id: UUID
    title: str
    detail: str
    by: str
    recorded_at: datetime
    state: str
    is_everyday: bool = False


def timeline_of(vehicle: Vehicle, known_at: datetime | None = None) -> list[TimelineItem]:
    """Records as they stood at *known_at* (now); the superseded and withdrawn ones stay visible, marked as such."""
    items = [
        *_installations(vehicle),
        *_calibrations(vehicle),
        *_checks(vehicle),
        *_repairs(vehicle),
        *_inspections(vehicle),
    ]
    if known_at:
        items = [item for item in items if item.recorded_at <= known_at]
    return sorted(items, key=lambda item: (item.at, item.recorded_at), reverse=True)


def _item(
    record: Installation | Calibration | Check | Repair | Inspection, kind: str, title: str, detail: str
) -> TimelineItem:
    state = "withdrawn" if record.withdrawn else "superseded" if hasattr(record, "superseded_by") else ""
    return TimelineItem(
        record.happened_at,
        kind,
        record.pk,
        title,
        detail,
        record.recorded_by.display_name,
        record.recorded_at,
        state,
        isinstance(record, Check) and record.purpose == Purpose.TRADE,
    )


def _installations(vehicle: Vehicle) -> list[TimelineItem]:
    found = Installation.objects.filter(vehicle=vehicle).select_related(
        "recorded_by", "superseded_by", "system"
    )
    return [
        _item(
            record,
            "installation",
            f"Weighing system {record.system.serial} installed",
            f"left open: {_open_items(record)}" if record.open_items else "nothing left open",
        )
        for record in found
    ]


def _open_items(record: Installation) -> str:
    labels = dict(InstallationItem.choices)
    return ", ".join(str(labels.get(code, code)) for code in record.open_items)


def _calibrations(vehicle: Vehicle) -> list[TimelineItem]:
    found = Calibration.objects.filter(vehicle=vehicle).select_related("recorded_by", "superseded_by")
    return [
        _item(
            record,
            "calibration",
            "Calibration accepted" if record.accepted else "Calibration not accepted",
            record.why_not or f"groups {', '.join(map(str, record.covers_groups))}",
        )
        for record in found
    ]


def _checks(vehicle: Vehicle) -> list[TimelineItem]:
    found = (
        Check.objects.filter(vehicle=vehicle)
        .select_related("recorded_by", "superseded_by", "instrument")
        .prefetch_related("results")
    )
    return [
        _item(record, "check", _check_title(record), f"ticket {record.ticket}, {record.instrument.name}")
        for record in found
    ]


def _check_title(check: Check) -> str:
    words = [
        f"{'gross' if result.subject == 0 else f'group {result.subject}'} {result.word}"
        for result in check.results.all()
        if result.word
    ]
    name = check.get_purpose_display().split(",")[0].capitalize()
    return f"{name}: {', '.join(words) if words else 'no decision'}"


def _repairs(vehicle: Vehicle) -> list[TimelineItem]:
    found = Repair.objects.filter(vehicle=vehicle).select_related("recorded_by", "superseded_by")
    return [
        _item(
            record,
            "repair",
            f"{record.component} {record.get_work_display()}".capitalize(),
            f"{f'axle {record.axle}; ' if record.axle else ''}for the weighing: {record.get_effect_display()}",
        )
        for record in found
    ]


def _inspections(vehicle: Vehicle) -> list[TimelineItem]:
    found = Inspection.objects.filter(vehicle=vehicle).select_related("recorded_by", "superseded_by")
    return [
        _item(
            record,
            "inspection",
            f"Workshop inspection {'passed' if record.passed else 'not passed'}",
            f"{record.get_test_display()}, by {record.workshop_name}",
        )
        for record in found
    ]
