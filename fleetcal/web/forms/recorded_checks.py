"""A recorded check, back in the shape of its form."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any
from uuid import UUID

from fleetcal.metrology.mass import from_kg
from fleetcal.records.models import Check
from fleetcal.records.services.checks import Covered, DisplayReadings, PlatformReading

SAME_NAMES = (
    "ticket",
    "displayed_at",
    "purpose",
    "direction",
    "slope_percent",
    "temperature_c",
    "lift_axles_up",
    "odometer_km",
    "note",
)
NOTED = {None: "", True: "yes", False: "no"}


def initial_of(check: Check) -> dict[str, Any]:
    """The fields of a recorded check as the form shows them, masses as they were typed where that is known."""
    values: dict[str, Any] = {name: getattr(check, name) for name in SAME_NAMES}
    values |= {name: NOTED[getattr(check, name)] for name in ("brakes_released", "is_settled", "driver_in")}
    values |= {"weighed_at": check.happened_at, "instrument": check.instrument_id}
    masses = dict(_masses_of(check))
    if check.fuel_used_kg:
        masses["fuel_used"] = check.fuel_used_kg
    typed = {name: check.entered[name] for name in masses if name in check.entered}
    return values | {name: _as_text(value, check.unit) for name, value in masses.items()} | typed


def _masses_of(check: Check) -> Iterator[tuple[str, Decimal]]:
    own = str(check.vehicle_id)
    for reading in check.platform:
        if len(reading["covers"]) == 1 and reading["covers"][0]["vehicle"] == own:
            yield f"{_prefix(reading['covers'][0]['group'])}_reference", Decimal(reading["value_kg"])
    for each in check.display:
        if each["vehicle"] == own:
            for number, value in enumerate(each["values_kg"], 1):
                yield f"{_prefix(each['subject'])}_display_{number}", Decimal(value)


def carried_over(check: Check) -> tuple[tuple[PlatformReading, ...], tuple[DisplayReadings, ...]]:
    """What a check of a combination holds beside its own vehicle's readings; the form does not show it."""
    own = str(check.vehicle_id)
    platform = tuple(
        PlatformReading(
            Decimal(reading["value_kg"]),
            tuple(Covered(UUID(each["vehicle"]), each["group"]) for each in reading["covers"]),
        )
        for reading in check.platform
        if len(reading["covers"]) > 1 or reading["covers"][0]["vehicle"] != own
    )
    display = tuple(
        DisplayReadings(tuple(map(Decimal, each["values_kg"])), each["subject"], UUID(each["vehicle"]))
        for each in check.display
        if each["vehicle"] != own
    )
    return platform, display


def _prefix(subject: int) -> str:
    return f"group_{subject}" if subject else "gross"


def _as_text(value_kg: Decimal, unit: str) -> str:
    text = f"{from_kg(value_kg, unit).quantize(Decimal('0.001')):f}"
    return text.rstrip("0").rstrip(".")
