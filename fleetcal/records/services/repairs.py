"""Recording suspension work, one job or a workshop's whole log."""

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Depot, Vehicle
from fleetcal.fleet.selectors import PolicyBook, VehicleShape, shapes_of
from fleetcal.fleet.services.rows import write
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft
from fleetcal.records.models import Repair
from fleetcal.records.repair_effects import RepairEffect, preview_effect
from fleetcal.records.services.corrections import require_newest

LOOK_UP = 500
# A clock that runs a little ahead is not the future.
CLOCK_SKEW = timedelta(minutes=5)
LONGEST = {"workshop": 80, "parts": 200}


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairDraft:
    """One job on one component. *axle* is counted from the front; None where the component belongs to no axle."""

    vehicle_id: UUID
    component: str
    work: str
    happened_at: datetime
    axle: int | None = None
    workshop: str = ""
    parts: str = ""
    bonded_at: datetime | None = None
    odometer_km: int | None = None
    note: str = ""
    entered: Mapping[str, str] = field(default_factory=dict)
    file_id: UUID | None = None
    line: int | None = None
    natural_key: str | None = None
    supersedes: UUID | None = None
    reason: str = ""


def repair_key(vehicle_id: UUID, happened_at: datetime, component: str, work: str, axle: int | None) -> str:
    """What makes a job the same job when it comes again."""
    minute = happened_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ")
    words = "\n".join((str(vehicle_id), minute, component.casefold().strip(), work, str(axle or "")))
    return hashlib.sha256(words.encode()).hexdigest()


def record_repair(draft: RepairDraft, *, actor: User) -> Repair:
    return record_repairs([draft], actor=actor)[0]


def record_repairs(
    drafts: Sequence[RepairDraft], *, actor: User, progress: Callable[[int], None] | None = None
) -> list[Repair]:
    """Every job of *drafts*, or none of them; each with its effect by the policy in force on its day."""
    if not drafts:
        return []
    _refuse_known(drafts)
    for draft in drafts:
        if draft.supersedes:
            require_newest(Repair, draft.supersedes, draft.vehicle_id, draft.reason)
    shapes, policies, now = _read_shapes(drafts), PolicyBook(), timezone.now()
    zones = {pk: ZoneInfo(name) for pk, name in Depot.objects.values_list("pk", "time_zone") if name}
    repairs = []
    for draft in drafts:
        shape = shapes.get(draft.vehicle_id)
        if shape is None:
            raise Refused("There is no such vehicle.", field="vehicle")
        _check_draft(draft, shape, zones.get(shape.depot_id, ZoneInfo("UTC")), now)
        day = draft.happened_at.astimezone(zones.get(shape.depot_id, ZoneInfo("UTC"))).date()
        effect = preview_effect(shape, draft.component, draft.work, draft.axle, day, policies)
        repairs.append(_row(draft, effect, actor, now))
    write(
        [
            Draft(
                stream=str(draft.vehicle_id),
                kind="record.corrected" if draft.supersedes else "repair.recorded",
                actor=actor.username,
                rows=[repair],
                reason=draft.reason,
            )
            for draft, repair in zip(drafts, repairs, strict=True)
        ],
        progress,
    )
    return repairs


def known_repairs(keys: Sequence[str]) -> dict[str, Repair]:
    """The repairs on record under *keys*, those that were taken back since among them."""
    found: dict[str, Repair] = {}
    for start in range(0, len(keys), LOOK_UP):
        repairs = Repair.objects.filter(natural_key__in=keys[start : start + LOOK_UP])
        found.update({repair.natural_key: repair for repair in repairs.select_related("vehicle")})
    return found


def _refuse_known(drafts: Sequence[RepairDraft]) -> None:
    keys = [draft.natural_key for draft in drafts if draft.natural_key and not draft.supersedes]
    twice = {key for key, times in Counter(keys).items() if times > 1}
    for draft in drafts:
        if draft.natural_key in twice:
            raise Refused(
                f"{draft.component} {draft.work} at {draft.happened_at:%Y-%m-%d %H:%M} is given twice.",
                "component",
            )
    for earlier in known_repairs(keys).values():
        raise Refused(
            f"{earlier.component} {earlier.work} of {earlier.happened_at:%Y-%m-%d %H:%M} UTC is already on record for "
            f"{earlier.vehicle.registration}. Correct that record instead.",
            "component",
        )


def _read_shapes(drafts: Sequence[RepairDraft]) -> dict[UUID, VehicleShape]:
    ids, shapes = list({draft.vehicle_id for draft in drafts}), dict[UUID, VehicleShape]()
    for start in range(0, len(ids), LOOK_UP):
        shapes.update(shapes_of(Vehicle.objects.filter(pk__in=ids[start : start + LOOK_UP])))
    return shapes


def _check_draft(draft: RepairDraft, shape: VehicleShape, zone: ZoneInfo, now: datetime) -> None:
    for name, moment in (("happened_at", draft.happened_at), ("bonded_at", draft.bonded_at)):
        if moment is None:
            continue
        if moment.tzinfo is None:
            raise Refused(f"{moment.isoformat()} has no time zone.", field=name)
        if moment > now + CLOCK_SKEW:
            raise Refused(f"{moment.astimezone(zone):%Y-%m-%d %H:%M} is still to come.", field=name)
    day = draft.happened_at.astimezone(zone).date()
    if day < shape.in_service_on:
        raise Refused(
            f"The work is of {day}, and {shape.registration} came into service on {shape.in_service_on}.",
            field="happened_at",
        )
    for name, most in LONGEST.items():
        if len(getattr(draft, name)) > most:
            raise Refused(f"{name.capitalize()}: at most {most} characters.", field=name)
    if draft.odometer_km is not None and not 0 <= draft.odometer_km <= 5_000_000:
        raise Refused(f"An odometer reading of {draft.odometer_km} km cannot be.", field="odometer_km")


def _row(draft: RepairDraft, effect: RepairEffect, actor: User, now: datetime) -> Repair:
    return Repair(
        vehicle_id=draft.vehicle_id,
        happened_at=draft.happened_at,
        recorded_at=now,
        recorded_by=actor,
        supersedes_id=draft.supersedes,
        reason=draft.reason,
        note=draft.note,
        odometer_km=draft.odometer_km,
        entered=dict(draft.entered),
        policy_version=effect.version,
        component=effect.component,
        work=effect.work,
        effect=effect.effect,
        axle=draft.axle,
        groups=list(effect.groups),
        workshop=draft.workshop,
        parts=draft.parts,
        bonded_at=draft.bonded_at,
        file_id=draft.file_id,
        line=draft.line,
        # The job keeps its key on the first record of it.
        natural_key=None if draft.supersedes else draft.natural_key,
    )
