"""Recording comparison checks, one or ten thousand at a time."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.services.rows import write
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft
from fleetcal.records.check_desk import CheckDesk, JudgedCheck
from fleetcal.records.check_drafts import (
    CheckDraft,
    Covered,
    DisplayReadings,
    PlatformReading,
    natural_key,
    split_combination,
)
from fleetcal.records.comparison_terms import SubjectOutcome
from fleetcal.records.method import METHOD_VERSION
from fleetcal.records.models import Check, CheckResult
from fleetcal.records.models.checks import Purpose
from fleetcal.records.services.corrections import require_newest

__all__ = [
    "CheckDraft",
    "Covered",
    "DisplayReadings",
    "PlatformReading",
    "known_tickets",
    "natural_key",
    "record_check",
    "record_checks",
    "split_combination",
]

LOOK_UP = 500
# Judged and written together: the rows of one slice are gone before the next one's are made.
SLICE = 1_000


def record_check(draft: CheckDraft, *, actor: User) -> Check:
    return record_checks([draft], actor=actor)[0]


def record_checks(
    drafts: Sequence[CheckDraft],
    *,
    actor: User,
    progress: Callable[[int], None] | None = None,
    desk: CheckDesk | None = None,
) -> list[Check]:
    """Every check of *drafts*, or none of them. *progress* is called with the number written so far.

    *desk* is one that has just been set up for these drafts, where nothing can have been recorded since.
    """
    if not drafts:
        return []
    _refuse_known(drafts)
    _require_correctable(drafts)
    desk, now = desk or CheckDesk(drafts), timezone.now()
    checks: list[Check] = []
    with transaction.atomic():
        for start in range(0, len(drafts), SLICE):
            rows = [_rows(desk, draft, actor, now, len(drafts)) for draft in drafts[start : start + SLICE]]
            write(
                [
                    Draft(
                        stream=str(draft.vehicle_id),
                        kind=_kind(draft),
                        actor=actor.username,
                        rows=[check, *results],
                        reason=draft.reason,
                    )
                    for draft, (check, results) in zip(drafts[start : start + SLICE], rows, strict=True)
                ]
            )
            checks += [check for check, _ in rows]
            if progress:
                progress(len(checks))
    return checks


def _rows(
    desk: CheckDesk, draft: CheckDraft, actor: User, now: datetime, of: int
) -> tuple[Check, list[CheckResult]]:
    try:
        judged = desk.judge(draft)
    except Refused as refusal:
        if of == 1:
            raise
        raise Refused(f"Ticket {draft.ticket}: {refusal}", refusal.field) from refusal
    check = _check_row(judged, actor, now)
    return check, [_result_row(check, each) for each in judged.outcome.subjects]


def known_tickets(keys: Sequence[str]) -> dict[str, Check]:
    """The checks on record under *keys*, those that were taken back since among them."""
    found: dict[str, Check] = {}
    for start in range(0, len(keys), LOOK_UP):
        checks: QuerySet[Check] = Check.objects.filter(natural_key__in=keys[start : start + LOOK_UP])
        found.update({str(check.natural_key): check for check in checks.select_related("vehicle")})
    return found


def _refuse_known(drafts: Sequence[CheckDraft]) -> None:
    keys = [draft.natural_key for draft in drafts if draft.natural_key and not draft.supersedes]
    twice = {key for key, times in Counter(keys).items() if times > 1}
    if twice:
        double = next(draft for draft in drafts if draft.natural_key in twice)
        raise Refused(
            f"Ticket {double.ticket} of {double.weighed_at:%Y-%m-%d %H:%M} is given twice.", "ticket"
        )
    for earlier in known_tickets(keys).values():
        raise Refused(
            f"Ticket {earlier.ticket} of {earlier.happened_at:%Y-%m-%d %H:%M} UTC is already on record for "
            f"{earlier.vehicle.registration}, since {earlier.recorded_at:%Y-%m-%d}. Correct that record instead.",
            "ticket",
        )


def _require_correctable(drafts: Sequence[CheckDraft]) -> None:
    for draft in drafts:
        if draft.supersedes:
            require_newest(Check, draft.supersedes, draft.vehicle_id, draft.reason)


def _kind(draft: CheckDraft) -> str:
    if draft.supersedes:
        return "record.corrected"
    return "ticket.recorded" if draft.purpose == Purpose.TRADE else "check.recorded"


def _check_row(judged: JudgedCheck, actor: User, now: datetime) -> Check:
    draft, key = judged.draft, judged.draft.natural_key
    # A ticket keeps its key on the first record of it; a correction that makes it another ticket is the first record of that one.
    if draft.supersedes and key and known_tickets([key]):
        key = None
    return Check(
        vehicle_id=draft.vehicle_id,
        happened_at=draft.weighed_at,
        recorded_at=now,
        recorded_by=actor,
        supersedes_id=draft.supersedes,
        reason=draft.reason,
        note=draft.note,
        odometer_km=draft.odometer_km,
        unit=draft.unit,
        entered=dict(draft.entered),
        system=judged.system,
        instrument_id=draft.instrument_id,
        policy_version=judged.version,
        method_version=METHOD_VERSION,
        ticket=draft.ticket.strip(),
        purpose=draft.purpose,
        displayed_at=draft.displayed_at,
        direction=draft.direction,
        slope_percent=draft.slope_percent,
        brakes_released=draft.brakes_released,
        is_settled=draft.is_settled,
        driver_in=draft.driver_in,
        fuel_used_kg=draft.fuel_used_kg,
        temperature_c=draft.temperature_c,
        lift_axles_up=list(draft.lift_axles_up),
        coupled=[
            {"vehicle": str(pk), "registration": registration}
            for pk, registration in judged.registrations.items()
        ],
        platform=list(_platform_json(draft)),
        display=[
            {
                "subject": each.subject,
                "vehicle": str(each.vehicle_id or draft.vehicle_id),
                "values_kg": [f"{value:.3f}" for value in each.values_kg],
            }
            for each in draft.display
        ],
        load_percent=_decimal(judged.load_percent, 1),
        unsupported=judged.unsupported,
        counts=not judged.why_not_counting,
        why_not_counting=judged.why_not_counting,
        file_id=draft.file_id,
        line=draft.line,
        natural_key=key,
    )


def _platform_json(draft: CheckDraft) -> Iterator[dict[str, Any]]:
    for reading in draft.platform:
        covers = reading.covers or (Covered(draft.vehicle_id),)
        yield {
            "value_kg": f"{reading.value_kg:.3f}",
            "covers": [{"vehicle": str(each.vehicle_id), "group": each.group} for each in covers],
        }


def _result_row(check: Check, outcome: SubjectOutcome) -> CheckResult:
    return CheckResult(
        comparison=check,
        subject=outcome.subject,
        is_separable=outcome.is_separable,
        reference_kg=_decimal(outcome.reference_kg),
        indicated_kg=_decimal(outcome.indicated_kg),
        error_kg=_decimal(outcome.error_kg),
        u_kg=_decimal(outcome.u_kg),
        expanded_kg=_decimal(outcome.expanded_kg),
        k=_decimal(outcome.k),
        degrees_of_freedom=_decimal(outcome.degrees_of_freedom, 1),
        u_shared_kg=_decimal(outcome.u_shared_kg),
        readings=outcome.readings,
        maximum_kg=_decimal(outcome.maximum_kg),
        limit_kg=_decimal(outcome.limit_kg),
        acceptance_limit_kg=_decimal(outcome.acceptance_limit_kg),
        word=outcome.word,
        conformance_probability=_decimal(outcome.conformance_probability, 5),
        budget=list(outcome.budget),
    )


def _decimal(value: float | None, places: int = 3) -> Decimal | None:
    return None if value is None else Decimal(f"{value:.{places}f}")
