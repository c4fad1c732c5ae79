"""What a comparison check cannot be: bounds against slips of the pen, each refusal with its numbers. No database."""

import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal

from fleetcal.fleet.instrument_book import InstrumentTerms
from fleetcal.fleet.models.instruments import InstrumentKind
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.mass import KG_PER_UNIT
from fleetcal.metrology.scale_classes import INTERVALS_ABOVE_MAXIMUM
from fleetcal.records.check_drafts import CheckDraft
from fleetcal.records.models.checks import Direction, Purpose

# Longer apart, the load is not the same load (common practice, no source).
LONGEST_GAP = timedelta(hours=24)
MOST_KG = Decimal(200_000)
MOST_READINGS = 4
LONGEST_TICKET = 48


def check_draft(
    draft: CheckDraft, shape: VehicleShape, others: Sequence[VehicleShape], day: date, now: datetime
) -> None:
    """`Refused` unless *draft* can be a check of *shape*, coupled with *others*, on *day*."""
    if not draft.ticket.strip() or len(draft.ticket) > LONGEST_TICKET:
        raise Refused(f"A ticket number has 1 to {LONGEST_TICKET} characters.", field="ticket")
    if draft.purpose not in Purpose.values:
        raise Refused(
            f"“{draft.purpose}” is not a purpose; use one of {', '.join(Purpose.values)}.", field="purpose"
        )
    if draft.direction and draft.direction not in Direction.values:
        raise Refused(
            f"“{draft.direction}” is not a direction; use one of {', '.join(Direction.values)}.",
            field="direction",
        )
    if draft.unit not in KG_PER_UNIT:
        raise Refused(f"“{draft.unit}” is not a unit of mass; use kg, lb or t.", field="unit")
    _check_moments(draft, shape, day, now)
    _check_conditions(draft, shape)
    _check_display(draft, shape, others)


def check_readings(draft: CheckDraft, instrument: InstrumentTerms) -> None:
    """`Refused` unless the instrument can have shown every platform reading."""
    if not draft.platform:
        raise Refused(
            "There is no platform reading: type at least one weight from the ticket.", field="platform"
        )
    # A pair of pads has its capacity twice: each pad bears half.
    pads = 2 if instrument.kind == InstrumentKind.PADS else 1
    most_kg = pads * (instrument.capacity_kg + INTERVALS_ABOVE_MAXIMUM * instrument.e_kg)
    for reading in draft.platform:
        if not _is_mass(reading.value_kg):
            raise Refused(
                f"A platform reading of {reading.value_kg:f} kg is not above zero and at most {MOST_KG} kg.",
                field="platform",
            )
        if reading.value_kg > most_kg:
            raise Refused(
                f"{instrument.name} shows nothing above {most_kg:g} kg, its capacity and nine intervals; "
                f"{reading.value_kg:f} kg was given.",
                field="platform",
            )
        known = {draft.vehicle_id, *draft.coupled}
        if not {covered.vehicle_id for covered in reading.covers} <= known:
            raise Refused(
                "A platform reading covers a unit that is not part of this combination.", field="platform"
            )


def _check_moments(draft: CheckDraft, shape: VehicleShape, day: date, now: datetime) -> None:
    for name, moment in (("weighed_at", draft.weighed_at), ("displayed_at", draft.displayed_at)):
        if moment is not None and moment.tzinfo is None:
            raise Refused(f"{moment.isoformat()} has no time zone.", field=name)
    if draft.weighed_at > now:
        raise Refused(
            f"The ticket is of {draft.weighed_at:%Y-%m-%d %H:%M}, which is still to come.", field="weighed_at"
        )
    if day < shape.in_service_on:
        raise Refused(
            f"The ticket is of {day}, and {shape.registration} came into service on {shape.in_service_on}.",
            field="weighed_at",
        )
    if draft.displayed_at is None:
        return
    gap = draft.displayed_at - draft.weighed_at
    if gap < timedelta(0):
        raise Refused(
            f"The display was read {_minutes(-gap)} before the ticket was weighed; give the reading that followed it.",
            field="displayed_at",
        )
    if gap > LONGEST_GAP:
        raise Refused(
            f"The display was read {_minutes(gap)} after the ticket was weighed; more than 24 h is not the same load.",
            field="displayed_at",
        )


def _check_conditions(draft: CheckDraft, shape: VehicleShape) -> None:
    for name, value, least, most, unit in (
        ("fuel_used_kg", draft.fuel_used_kg, 0, 2_000, "kg"),
        ("slope_percent", draft.slope_percent, -20, 20, "%"),
        ("temperature_c", draft.temperature_c, -60, 60, "°C"),
        ("odometer_km", draft.odometer_km, 0, 5_000_000, "km"),
    ):
        if value is not None and not (math.isfinite(value) and least <= value <= most):
            raise Refused(
                f"{name.rsplit('_', 1)[0].replace('_', ' ').capitalize()}: {value} {unit} is not between {least} and {most} {unit}.",
                field=name,
            )
    lifting = {axle.number for axle in shape.axles if axle.is_lift}
    wrong = sorted(set(draft.lift_axles_up) - lifting)
    if wrong:
        raise Refused(f"Axle {wrong[0]} of {shape.registration} is not a lift axle.", field="lift_axles_up")


def _check_display(draft: CheckDraft, shape: VehicleShape, others: Iterable[VehicleShape]) -> None:
    shapes = {each.id: each for each in (shape, *others)}
    seen = set()
    for each in draft.display:
        unit = shapes.get(each.vehicle_id or shape.id)
        if unit is None:
            raise Refused(
                "A display reading belongs to a unit that is not part of this combination.", field="display"
            )
        if (unit.id, each.subject) in seen:
            raise Refused("The display's readings of one load are given twice.", field="display")
        seen.add((unit.id, each.subject))
        _require_group(unit, each.subject, "display")
        if not 1 <= len(each.values_kg) <= MOST_READINGS:
            raise Refused(
                f"{len(each.values_kg)} display readings of one load given; 1 to {MOST_READINGS} are taken.",
                field="display",
            )
        for value_kg in each.values_kg:
            if not _is_mass(value_kg):
                raise Refused(
                    f"A display reading of {value_kg:f} kg is not above zero and at most {MOST_KG} kg.",
                    field="display",
                )
    if not any(unit == shape.id for unit, _ in seen):
        raise Refused(f"There is no reading of the display of {shape.registration}.", field="display")
    for reading in draft.platform:
        for covered in reading.covers:
            if covered.vehicle_id in shapes:
                _require_group(shapes[covered.vehicle_id], covered.group, "platform")


def _is_mass(value_kg: Decimal) -> bool:
    return value_kg.is_finite() and 0 < value_kg <= MOST_KG


def _require_group(shape: VehicleShape, position: int, field: str) -> None:
    if position and position not in {group.position for group in shape.groups}:
        raise Refused(
            f"{shape.registration} has no axle group {position}, only 1 to {len(shape.groups)}.", field=field
        )


def _minutes(gap: timedelta) -> str:
    minutes = gap.total_seconds() / 60
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"
