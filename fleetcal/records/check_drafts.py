"""A comparison check before it is recorded: what was read, and what stood where when it was read."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from decimal import Decimal
from uuid import UUID


@dataclass(frozen=True, slots=True)
class Covered:
    """Something that stood on the platform: a whole unit (group 0) or one of its axle groups."""

    vehicle_id: UUID
    group: int = 0


@dataclass(frozen=True, slots=True)
class PlatformReading:
    """One reading of the reference instrument in kg; *covers* empty: the whole vehicle of the draft and nothing else."""

    value_kg: Decimal
    covers: tuple[Covered, ...] = ()


@dataclass(frozen=True, slots=True)
class DisplayReadings:
    """The settled readings of one display for one load in kg. Subject 0 is the gross, else the position of a group.

    *vehicle_id* None: the vehicle of the draft.
    """

    values_kg: tuple[Decimal, ...]
    subject: int = 0
    vehicle_id: UUID | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckDraft:
    """One vehicle's side of a ticket. Moments have a time zone, masses are in kg, *unit* and *entered* keep what was typed.

    *coupled* names the other units of a combination; `split_combination` makes the draft of each.
    """

    vehicle_id: UUID
    instrument_id: UUID
    ticket: str
    purpose: str
    weighed_at: datetime
    platform: tuple[PlatformReading, ...]
    display: tuple[DisplayReadings, ...]
    displayed_at: datetime | None = None
    coupled: tuple[UUID, ...] = ()
    direction: str = ""
    slope_percent: Decimal | None = None
    brakes_released: bool | None = None
    is_settled: bool | None = None
    driver_in: bool | None = None
    fuel_used_kg: Decimal = Decimal(0)
    temperature_c: Decimal | None = None
    lift_axles_up: tuple[int, ...] = ()
    odometer_km: int | None = None
    note: str = ""
    unit: str = "kg"
    entered: Mapping[str, str] = field(default_factory=dict)
    file_id: UUID | None = None
    line: int | None = None
    natural_key: str | None = None
    supersedes: UUID | None = None
    reason: str = ""


def natural_key(vehicle_id: UUID, instrument_id: UUID, ticket: str, weighed_at: datetime) -> str:
    """What makes a ticket the same ticket when it comes again: vehicle, instrument, number and minute."""
    minute = weighed_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ")
    words = "\n".join((str(vehicle_id), str(instrument_id), " ".join(ticket.upper().split()), minute))
    return hashlib.sha256(words.encode()).hexdigest()


def split_combination(
    draft: CheckDraft, displays: Mapping[UUID, tuple[DisplayReadings, ...]]
) -> tuple[CheckDraft, ...]:
    """One draft per unit of a combination that was weighed together, all with the same platform and display readings.

    *displays* holds every unit's own display readings, the draft's vehicle among them. A platform reading of *draft* that names
    nothing covers the draft's vehicle. The odometer stays with the draft's vehicle; the others have one of their own or none.
    """
    platform = tuple(
        reading if reading.covers else replace(reading, covers=(Covered(draft.vehicle_id),))
        for reading in draft.platform
    )
    named = tuple(replace(each, vehicle_id=unit) for unit, readings in displays.items() for each in readings)
    return tuple(
        replace(
            draft,
            vehicle_id=unit,
            platform=platform,
            display=named,
            coupled=tuple(other for other in displays if other != unit),
            odometer_km=draft.odometer_km if unit == draft.vehicle_id else None,
            lift_axles_up=draft.lift_axles_up if unit == draft.vehicle_id else (),
            natural_key=natural_key(unit, draft.instrument_id, draft.ticket, draft.weighed_at)
            if draft.natural_key
            else None,
        )
        for unit in displays
    )
