"""Keeping the inspection report of an approved workshop, by Regulation (EU) 2019/1213."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.services.rows import checked, write
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft
from fleetcal.records.models import Inspection
from fleetcal.records.models.inspections import LoadTest, Stage
from fleetcal.records.services.corrections import require_newest

MOST_POINTS = {LoadTest.THREE_LOADS: 3, LoadTest.SINGLE_LOAD: 1}
HEAVIEST_KG = Decimal(200_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionDraft:
    """What the report says (Article 4(5)). *points* are (reference in kg, indicated in kg); *maximum_kg* None is the rating plate's."""

    vehicle_id: UUID
    inspected_on: date
    vin: str
    place: str
    test: str
    passed: bool
    workshop_name: str
    workshop_address: str
    workshop_number: str
    inspector: str
    device_mark: str
    device_type: str
    device_number: str
    device_examination: str
    device_verified_on: date
    next_due_on: date | None = None
    manipulation_found: bool = False
    deficiencies: str = ""
    remedies: str = ""
    stage: int = Stage.TWO
    maximum_kg: Decimal | None = None
    points: tuple[tuple[Decimal, Decimal], ...] = ()
    unit: str = "kg"
    entered: Mapping[str, str] = field(default_factory=dict)
    odometer_km: int | None = None
    note: str = ""
    supersedes: UUID | None = None
    reason: str = ""


def record_inspection(draft: InspectionDraft, *, actor: User) -> Inspection:
    """The report as a fact of its vehicle. It is information: it changes no standing, only when the next inspection is shown."""
    vehicle = Vehicle.objects.select_related("depot").filter(pk=draft.vehicle_id).first()
    if vehicle is None:
        raise Refused("There is no such vehicle.", field="vehicle")
    key = _key(draft)
    if draft.supersedes:
        require_newest(Inspection, draft.supersedes, draft.vehicle_id, draft.reason)
    elif Inspection.objects.filter(natural_key=key).exists():
        raise Refused(
            f"A report of the same test and result on {draft.inspected_on} is on record already. Correct that record instead.",
            field="inspected_on",
        )
    _check_days(draft, vehicle)
    _check_content(draft, vehicle)
    inspection = checked(_row(draft, vehicle, None if draft.supersedes else key, actor))
    write(
        [
            Draft(
                stream=vehicle.stream,
                kind="record.corrected" if draft.supersedes else "inspection.recorded",
                actor=actor.username,
                rows=[inspection],
                reason=inspection.reason,
            )
        ]
    )
    return inspection


def _key(draft: InspectionDraft) -> str:
    """What makes a report the same report when it is sent again."""
    words = (str(draft.vehicle_id), draft.inspected_on.isoformat(), draft.test, str(draft.passed))
    return hashlib.sha256("\n".join(words).encode()).hexdigest()


def _check_days(draft: InspectionDraft, vehicle: Vehicle) -> None:
    if draft.inspected_on > timezone.localdate(timezone=_zone(vehicle)):
        raise Refused(f"{draft.inspected_on} is still to come.", field="inspected_on")
    if vehicle.registered_on and draft.inspected_on < vehicle.registered_on:
        raise Refused(
            f"The inspection is of {draft.inspected_on}, and {vehicle} was registered on {vehicle.registered_on}.",
            field="inspected_on",
        )
    if draft.passed and draft.next_due_on is None:
        raise Refused("Give the date of the next inspection that the report names.", field="next_due_on")
    if draft.next_due_on and draft.next_due_on <= draft.inspected_on:
        raise Refused(
            f"The next inspection is to be by {draft.next_due_on}, and this one was on {draft.inspected_on}.",
            field="next_due_on",
        )
    if draft.device_verified_on > draft.inspected_on:
        raise Refused(
            f"The reference device was verified on {draft.device_verified_on}, after the inspection on {draft.inspected_on}.",
            field="device_verified_on",
        )


def _check_content(draft: InspectionDraft, vehicle: Vehicle) -> None:
    if vehicle.vin and _plain_vin(draft.vin) != vehicle.vin:
        raise Refused(
            f"The report is for {_plain_vin(draft.vin)}, and {vehicle} has the VIN {vehicle.vin}: look at the report again.",
            field="vin",
        )
    if not draft.deficiencies.strip() and (not draft.passed or draft.manipulation_found):
        why = "manipulation was found" if draft.manipulation_found else "the inspection was not passed"
        raise Refused(f"Say what the report names as deficient: {why}.", field="deficiencies")
    _check_points(draft.points, draft.test)


def _check_points(points: Sequence[tuple[Decimal, Decimal]], test: str) -> None:
    most = MOST_POINTS.get(LoadTest(test), 0) if test in LoadTest.values else 0
    if len(points) > most:
        raise Refused(f"{len(points)} loads are given; a test with {test} has {most} at most.", field="test")
    for reference_kg, indicated_kg in points:
        is_number = reference_kg.is_finite() and indicated_kg.is_finite()
        if not (is_number and 0 < reference_kg <= HEAVIEST_KG and 0 <= indicated_kg <= HEAVIEST_KG):
            raise Refused(
                f"A reference of {reference_kg} kg with {indicated_kg} kg indicated cannot be: both lie between 0 and "
                f"{HEAVIEST_KG} kg.",
                field="reference_1",
            )


def _row(draft: InspectionDraft, vehicle: Vehicle, key: str | None, actor: User) -> Inspection:
    return Inspection(
        vehicle=vehicle,
        happened_at=_moment(draft.inspected_on, vehicle),
        recorded_at=timezone.now(),
        recorded_by=actor,
        supersedes_id=draft.supersedes,
        reason=draft.reason.strip(),
        note=draft.note.strip(),
        odometer_km=draft.odometer_km,
        unit=draft.unit,
        entered=dict(draft.entered),
        vin=_plain_vin(draft.vin),
        place=draft.place.strip(),
        test=draft.test,
        passed=draft.passed,
        manipulation_found=draft.manipulation_found,
        deficiencies=draft.deficiencies.strip(),
        remedies=draft.remedies.strip(),
        next_due_on=draft.next_due_on,
        workshop_name=draft.workshop_name.strip(),
        workshop_address=draft.workshop_address.strip(),
        workshop_number=draft.workshop_number.strip(),
        inspector=draft.inspector.strip(),
        device_mark=draft.device_mark.strip(),
        device_type=draft.device_type.strip(),
        device_number=draft.device_number.strip(),
        device_examination=draft.device_examination.strip(),
        device_verified_on=draft.device_verified_on,
        stage=draft.stage,
        maximum_kg=draft.maximum_kg if draft.maximum_kg is not None else vehicle.max_gross_kg,
        points=[
            [f"{reference_kg:.3f}", f"{indicated_kg:.3f}"] for reference_kg, indicated_kg in draft.points
        ],
        natural_key=key,
    )


def _plain_vin(vin: str) -> str:
    return "".join(vin.upper().split())


def _moment(day: date, vehicle: Vehicle) -> datetime:
    """A report names a day only: its noon at the depot, so that it is the same day for whoever reads it; never later than now."""
    return min(datetime.combine(day, time(12), _zone(vehicle)), timezone.now())


def _zone(vehicle: Vehicle) -> ZoneInfo:
    return ZoneInfo(vehicle.depot.time_zone or "UTC")
