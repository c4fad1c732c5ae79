"""What a worksheet refuses: readings that cannot be, and an order that the two stops do not allow."""

from collections.abc import Collection, Sequence
from datetime import datetime, tzinfo
from decimal import Decimal

from fleetcal.fleet.days import moment_text
from fleetcal.fleet.models.instruments import InstrumentKind
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.scale_classes import INTERVALS_ABOVE_MAXIMUM
from fleetcal.records.acceptance_rules import write_mass
from fleetcal.records.assessment import Basis, is_same_day, standing_axles
from fleetcal.records.models.calibrations import LoadState, Method
from fleetcal.records.worksheet import Conditions, Sheet, SheetReading, Stop
from fleetcal.records.worksheet_weights import ReferenceUsed

STEEPEST_PERCENT, STRONGEST_M_S = 20, 60


def check_sheet(sheet: Sheet, basis: Basis, until: datetime) -> None:
    """`Refused` for whatever in *sheet* cannot be, up to the moment *until*."""
    check_groups(sheet.covers_groups, basis.shape)
    if sheet.conditions:
        check_conditions(sheet.conditions, basis.shape)
    for reading in sheet.readings:
        check_reading(reading, sheet, basis)
    check_order(sheet, basis.zone, until)


def check_groups(positions: Sequence[int], shape: VehicleShape) -> None:
    known = {group.position for group in shape.groups}
    strangers = sorted(set(positions) - known)
    if strangers:
        raise Refused(
            f"There is no axle group {strangers[0]}; the vehicle has {len(known)}.", field="covers_groups"
        )


def check_conditions(conditions: Conditions, shape: VehicleShape) -> None:
    lift = {axle.number for axle in shape.axles if axle.is_lift}
    strangers = sorted(set(conditions.lift_axles_up) - lift)
    if strangers:
        raise Refused(f"Axle {strangers[0]} is not a lift axle.", field="lift_axles_up")
    slope, wind = conditions.slope_percent, conditions.wind_m_s
    if slope is not None and abs(slope) > STEEPEST_PERCENT:
        raise Refused(
            f"A slope of {slope} % is not possible here; at most {STEEPEST_PERCENT} %.", field="slope_percent"
        )
    if wind is not None and not 0 <= wind <= STRONGEST_M_S:
        raise Refused(f"A wind of {wind} m/s is not between 0 and {STRONGEST_M_S} m/s.", field="wind_m_s")


def check_reading(reading: SheetReading, sheet: Sheet, basis: Basis) -> None:
    used = basis.instruments.get(reading.instrument_id)
    if used is None:
        raise Refused("There is no such reference instrument.", field="instrument")
    _check_axles(reading, standing_axles(basis.shape, sheet.conditions), basis.shape)
    if reading.method == Method.PADS:
        _check_pads(reading, used)
    else:
        _check_bridge(reading, used)


def _check_axles(reading: SheetReading, standing: Sequence[int], shape: VehicleShape) -> None:
    if not reading.axles:
        raise Refused("Say which axles stood on it.", field="axles")
    known = {axle.number for axle in shape.axles}
    for number in reading.axles:
        if number not in known:
            raise Refused(f"There is no axle {number}; the vehicle has {len(known)}.", field="axles")
        if number not in standing:
            raise Refused(f"Axle {number} is lifted and carries nothing.", field="axles")
    places = sorted(standing.index(number) for number in set(reading.axles))
    if len(places) != len(reading.axles) or places != list(range(places[0], places[0] + len(places))):
        raise Refused(
            f"Axles {'+'.join(map(str, reading.axles))} do not stand side by side on one platform.",
            field="axles",
        )


def _check_pads(reading: SheetReading, used: ReferenceUsed) -> None:
    name = used.terms.name
    if used.terms.kind != InstrumentKind.PADS:
        raise Refused(f"{name} is not a pair of pads: enter it as a weighbridge reading.", field="instrument")
    if len(reading.axles) != 1:
        raise Refused("A pair of pads weighs one axle at a time.", field="axles")
    if reading.left_kg is None or reading.right_kg is None:
        raise Refused("A pair of pads gives two readings: enter left and right.", field="left")
    if reading.left_kg + reading.right_kg != reading.value_kg:
        raise Refused(
            f"Left {write_mass(reading.left_kg, reading.unit)} and right {write_mass(reading.right_kg, reading.unit)} do not "
            f"add up to {write_mass(reading.value_kg, reading.unit)}.",
            field="value",
        )
    _check_load(reading.left_kg, used, "left", reading.unit)
    _check_load(reading.right_kg, used, "right", reading.unit)


def _check_bridge(reading: SheetReading, used: ReferenceUsed) -> None:
    if used.terms.kind != InstrumentKind.WEIGHBRIDGE:
        raise Refused(f"{used.terms.name} is a pair of pads: enter left and right.", field="instrument")
    if reading.left_kg is not None or reading.right_kg is not None:
        raise Refused("A weighbridge gives one reading, not left and right.", field="left")
    _check_load(reading.value_kg, used, "value", reading.unit)


def _check_load(value_kg: Decimal, used: ReferenceUsed, field: str, unit: str) -> None:
    most_kg = used.terms.capacity_kg + INTERVALS_ABOVE_MAXIMUM * used.terms.e_kg
    if not 0 < float(value_kg) <= most_kg:
        raise Refused(
            f"{write_mass(value_kg, unit)}: a reading of {used.terms.name} is above 0 and at most "
            f"{write_mass(most_kg, unit)} (its maximum and {INTERVALS_ABOVE_MAXIMUM:g} intervals).",
            field=field,
        )


def check_order(sheet: Sheet, zone: tzinfo, until: datetime) -> None:
    """Empty readings, stop A, loaded readings, stop B: in this order, on one day, and not in the future."""
    a, b = sheet.stop_a, sheet.stop_b
    moments = [r.read_at for r in sheet.readings] + [stop.at for stop in (a, b) if stop]
    if moments and max(moments) > until:
        raise Refused(f"{moment_text(max(moments))} lies after the end of the calibration.", field="read_at")
    if b and a is None:
        raise Refused("Stop B cannot be signed without stop A.", field="stop_b")
    if a:
        _check_around_stop_a(sheet, a, zone)
    if a and b:
        _check_around_stop_b(sheet, a, b, zone)


def _check_around_stop_a(sheet: Sheet, a: Stop, zone: tzinfo) -> None:
    for reading in sheet.readings:
        if reading.state == LoadState.EMPTY and reading.read_at > a.at:
            raise Refused(
                f"Empty {reading.label} of {_clock(reading.read_at, zone)} lies after stop A at {_clock(a.at, zone)}.",
                field="stop_a",
            )
        if reading.state == LoadState.LOADED and reading.read_at < a.at:
            raise Refused(
                f"Loaded {reading.label} of {_clock(reading.read_at, zone)} lies before stop A at "
                f"{_clock(a.at, zone)}: tares and zero are taken while the vehicle is still empty.",
                field="stop_a",
            )


def _check_around_stop_b(sheet: Sheet, a: Stop, b: Stop, zone: tzinfo) -> None:
    if b.at <= a.at:
        raise Refused(
            f"Stop B at {_clock(b.at, zone)} must come after stop A at {_clock(a.at, zone)}.", field="stop_b"
        )
    if not is_same_day(a.at, b.at, zone):
        raise Refused(
            f"Stop A was signed at {_clock(a.at, zone)} and stop B at {_clock(b.at, zone)}: they belong to one day and one load.",
            field="stop_b",
        )
    late = [r for r in sheet.of_state(LoadState.LOADED) if r.read_at > b.at]
    if late:
        raise Refused(
            f"Loaded {late[0].label} of {_clock(late[0].read_at, zone)} lies after stop B at {_clock(b.at, zone)}.",
            field="stop_b",
        )


def check_lifted_not_weighed(lifted: Collection[int], readings: Sequence[SheetReading]) -> None:
    for reading in readings:
        both = sorted(set(lifted) & set(reading.axles))
        if both:
            raise Refused(
                f"Axle {both[0]} stands in {reading.label}, so it was not lifted: remove the reading first.",
                field="lift_axles_up",
            )


def _clock(moment: datetime, zone: tzinfo) -> str:
    return moment_text(moment.astimezone(zone))
