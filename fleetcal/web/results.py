"""A check's results as its page shows them: numbers in the reader's unit, rounded by their uncertainty."""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils.safestring import SafeString, mark_safe

from fleetcal.drawing.strip import StripData, draw_strip
from fleetcal.drawing.svg import render_svg
from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.metrology.mass import from_kg
from fleetcal.metrology.rounding import round_by_uncertainty
from fleetcal.records.models import Check, CheckResult
from fleetcal.records.wording import describe_result, percentages
from fleetcal.web.templatetags.quantities import mass

TENTH = Decimal("0.1")


@dataclass(frozen=True, slots=True)
class BudgetLine:
    source: str
    evaluation: str
    distribution: str
    half_width: Decimal
    divisor: Decimal
    contribution: Decimal
    degrees_of_freedom: str


@dataclass(frozen=True, slots=True)
class ResultReading:
    """One result, masses converted to the reader's unit."""

    name: str
    sentence: str
    row: CheckResult
    strip: SafeString | None
    error: Decimal | None
    expanded: Decimal | None
    probability_percent: str
    budget: tuple[BudgetLine, ...]
    combination: str
    is_consistent: bool | None


def read_result(row: CheckResult, version: PolicyVersion, shape: VehicleShape, unit: str) -> ResultReading:
    error = expanded = None
    if row.error_kg is not None and row.expanded_kg:
        rounded = round_by_uncertainty(from_kg(row.error_kg, unit), from_kg(row.expanded_kg, unit))
        error, expanded = rounded.value, rounded.U
    special: dict[str, Any] = {
        key: line[key] for line in row.budget for key in ("combination", "consistency") if key in line
    }
    return ResultReading(
        name=name_subject(row.subject, shape),
        sentence=describe_result(row, version),
        row=row,
        strip=_strip(row, version),
        error=error,
        expanded=expanded,
        probability_percent=_percent(row.conformance_probability),
        budget=tuple(_budget(row.budget, unit)),
        combination=_combination(special.get("combination"), unit),
        is_consistent=special["consistency"]["is_consistent"] if "consistency" in special else None,
    )


@dataclass(frozen=True, slots=True)
class PlainReading:
    """A reading as it was made: its values in the reader's unit, and what it was of."""

    values: str
    covers: str


def platform_readings(check: Check, shape: VehicleShape, unit: str) -> list[PlainReading]:
    return [
        PlainReading(
            mass(reading["value_kg"], unit),
            " and ".join(
                _name_part(check, shape, each["vehicle"], each["group"]) for each in reading["covers"]
            ),
        )
        for reading in check.platform
    ]


def display_readings(check: Check, shape: VehicleShape, unit: str) -> list[PlainReading]:
    return [
        PlainReading(
            ", ".join(mass(value, unit) for value in each["values_kg"]),
            _name_part(check, shape, each["vehicle"], each["subject"]),
        )
        for each in check.display
    ]


def conditions_of(check: Check, unit: str) -> list[tuple[str, str]]:
    """What was noted of the conditions, in words; nothing for what was not."""
    lifted = ", ".join(f"axle {number}" for number in check.lift_axles_up)
    noted = {None: "", True: "yes", False: "no"}
    rows = (
        ("Direction", check.get_direction_display() if check.direction else ""),
        ("Slope of the site", "" if check.slope_percent is None else f"{check.slope_percent} %"),
        ("Brakes released", noted[check.brakes_released]),
        ("Display settled", noted[check.is_settled]),
        ("Driver in the cab", noted[check.driver_in]),
        ("Fuel used in between", f"{mass(check.fuel_used_kg, unit)} {unit}" if check.fuel_used_kg else ""),
        ("Outside temperature", "" if check.temperature_c is None else f"{check.temperature_c} °C"),
        ("Lift axles up", lifted),
        ("Odometer", "" if check.odometer_km is None else f"{check.odometer_km} km"),
    )
    return [(label, value) for label, value in rows if value]


def _name_part(check: Check, shape: VehicleShape, vehicle: str, group: int) -> str:
    if vehicle == str(shape.id):
        return name_subject(group, shape).lower() if group else shape.registration
    name = next(
        (each["registration"] for each in check.coupled if each["vehicle"] == vehicle), "coupled unit"
    )
    return f"{name}, group {group}" if group else str(name)


def name_subject(subject: int, shape: VehicleShape) -> str:
    if not subject:
        return "Gross"
    axles = shape.group(subject).axles
    numbers = " + ".join(map(str, axles))
    return f"Group {subject} ({'axle' if len(axles) == 1 else 'axles'} {numbers})"


def _strip(row: CheckResult, version: PolicyVersion) -> SafeString | None:
    found = percentages(row, version)
    if found is None:
        return None
    data = StripData(
        tolerance=found.tolerance,
        error=found.error,
        U=found.expanded,
        guard=min(found.guard, found.tolerance),
    )
    # The drawing escapes what it is given, and holds numbers only.
    return mark_safe(render_svg(draw_strip(data), f"strip-{row.subject}"))


def _budget(lines: list[dict[str, Any]], unit: str) -> Iterator[BudgetLine]:
    for line in lines:
        if "source" not in line:
            continue
        yield BudgetLine(
            source=line["source"],
            evaluation=line["evaluation"],
            distribution=line["distribution"],
            half_width=_tenths(line["half_width_or_u"], unit),
            divisor=Decimal(line["divisor"]).quantize(Decimal("0.001")),
            contribution=_tenths(line["contribution"], unit),
            degrees_of_freedom=line.get("degrees_of_freedom", "∞"),
        )


def _combination(found: dict[str, str] | None, unit: str) -> str:
    if found is None:
        return ""
    error = from_kg(Decimal(found["error_kg"]), unit)
    rounded = round_by_uncertainty(error, from_kg(Decimal(found["expanded_kg"]), unit))
    return (
        f"The displays of the combination together differ from the reference by {rounded} {unit} (k = {found['k']}). "
        "That is information only: it does not say which unit's display it comes from."
    )


def _percent(probability: Decimal | None) -> str:
    if probability is None:
        return ""
    percent = 100 * probability
    if percent > Decimal("99.9"):
        return "above 99.9"
    return "below 0.1" if percent < TENTH else f"{percent:.1f}"


def _tenths(kilograms: str, unit: str) -> Decimal:
    return from_kg(Decimal(kilograms), unit).quantize(TENTH)
