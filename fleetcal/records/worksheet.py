"""The shape of a calibration in progress, and its JSON: what `Worksheet.state` holds. Masses in kg to the gram, as entered and cleaned."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any, TypeVar
from uuid import UUID

from fleetcal.ledger.canonical import plain
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.mass import KG_PER_UNIT
from fleetcal.records.models.calibrations import LoadState, Method

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class Conditions:
    """The site and the vehicle while it is weighed; an axle in *lift_axles_up* carries nothing, empty and loaded."""

    slope_percent: Decimal | None = None
    wind_m_s: Decimal | None = None
    brakes_released: bool = False
    ride_height_settled: bool = False
    is_level: bool = False
    lift_axles_up: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class SheetReading:
    """One reading: a pair of pads under one axle (left and right), or a bridge with the axles that stood on it."""

    number: int
    state: str
    method: str
    instrument_id: UUID
    axles: tuple[int, ...]
    value_kg: Decimal
    read_at: datetime
    left_kg: Decimal | None = None
    right_kg: Decimal | None = None
    unit: str = "kg"
    entered: Mapping[str, str] = field(default_factory=dict)

    @property
    def label(self) -> str:
        return f"reading {self.number}"


@dataclass(frozen=True, slots=True)
class Stop:
    """A signed stop with the values that were entered in the display, by setting ("axle 1", "group 2")."""

    at: datetime
    by: str
    values_kg: Mapping[str, Decimal]


@dataclass(frozen=True, slots=True)
class Excuse:
    """An authorised person's leave that a rule is not met, with the reason that stays visible."""

    rule: str
    reason: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Sheet:
    """*covers_groups* are the positions of the groups to be calibrated; empty stands for all of them."""

    covers_groups: tuple[int, ...] = ()
    conditions: Conditions | None = None
    readings: tuple[SheetReading, ...] = ()
    ticks: tuple[str, ...] = ()
    stop_a: Stop | None = None
    stop_b: Stop | None = None
    excuses: tuple[Excuse, ...] = ()

    def of_state(self, state: str) -> tuple[SheetReading, ...]:
        return tuple(reading for reading in self.readings if reading.state == state)

    def excuse_for(self, rule: str) -> Excuse | None:
        return next((excuse for excuse in self.excuses if excuse.rule == rule), None)

    def without_reading(self, number: int) -> "Sheet":
        return replace(self, readings=tuple(r for r in self.readings if r.number != number))

    def next_number(self) -> int:
        return max((reading.number for reading in self.readings), default=0) + 1


def sheet_to_json(sheet: Sheet) -> dict[str, Any]:
    conditions = sheet.conditions
    data = {
        "covers_groups": list(sheet.covers_groups),
        "conditions": None
        if conditions is None
        else {
            "slope_percent": conditions.slope_percent,
            "wind_m_s": conditions.wind_m_s,
            "brakes_released": conditions.brakes_released,
            "ride_height_settled": conditions.ride_height_settled,
            "is_level": conditions.is_level,
            "lift_axles_up": list(conditions.lift_axles_up),
        },
        "readings": [_reading_to_json(reading) for reading in sheet.readings],
        "ticks": list(sheet.ticks),
        "stop_a": _stop_to_json(sheet.stop_a),
        "stop_b": _stop_to_json(sheet.stop_b),
        "excuses": [{"rule": e.rule, "reason": e.reason, "by": e.by, "at": e.at} for e in sheet.excuses],
    }
    return dict(plain(data))


def _reading_to_json(reading: SheetReading) -> dict[str, Any]:
    return {
        "number": reading.number,
        "state": reading.state,
        "method": reading.method,
        "instrument": reading.instrument_id,
        "axles": list(reading.axles),
        "left_kg": reading.left_kg,
        "right_kg": reading.right_kg,
        "value_kg": reading.value_kg,
        "read_at": reading.read_at,
        "unit": reading.unit,
        "entered": dict(reading.entered),
    }


def _stop_to_json(stop: Stop | None) -> dict[str, Any] | None:
    return None if stop is None else {"at": stop.at, "by": stop.by, "values_kg": dict(stop.values_kg)}


def sheet_from_json(data: object) -> Sheet:
    """The sheet that *data* is; `Refused` for anything that is not exactly of this shape. An empty map is a new sheet."""
    if data == {}:
        return Sheet()
    o = _members(data, "worksheet", "covers_groups conditions readings ticks stop_a stop_b excuses")
    readings = tuple(_list(o["readings"], "readings", _reading_from_json))
    if len({reading.number for reading in readings}) != len(readings):
        raise _malformed("readings", "a number twice")
    return Sheet(
        covers_groups=tuple(_list(o["covers_groups"], "covers_groups", _integer)),
        conditions=None if o["conditions"] is None else _conditions_from_json(o["conditions"]),
        readings=readings,
        ticks=tuple(_list(o["ticks"], "ticks", _text)),
        stop_a=None if o["stop_a"] is None else _stop_from_json(o["stop_a"], "stop_a"),
        stop_b=None if o["stop_b"] is None else _stop_from_json(o["stop_b"], "stop_b"),
        excuses=tuple(_list(o["excuses"], "excuses", _excuse_from_json)),
    )


def _conditions_from_json(data: object) -> Conditions:
    place = "conditions"
    o = _members(
        data, place, "slope_percent wind_m_s brakes_released ride_height_settled is_level lift_axles_up"
    )
    return Conditions(
        slope_percent=_decimal_or_none(o["slope_percent"], place),
        wind_m_s=_decimal_or_none(o["wind_m_s"], place),
        brakes_released=_boolean(o["brakes_released"], place),
        ride_height_settled=_boolean(o["ride_height_settled"], place),
        is_level=_boolean(o["is_level"], place),
        lift_axles_up=tuple(_list(o["lift_axles_up"], place, _integer)),
    )


def _reading_from_json(data: object, place: str) -> SheetReading:
    o = _members(
        data, place, "number state method instrument axles left_kg right_kg value_kg read_at unit entered"
    )
    entered = o["entered"]
    if not isinstance(entered, dict):
        raise _malformed(place, entered)
    return SheetReading(
        number=_integer(o["number"], place),
        state=_one_of(o["state"], place, LoadState.values),
        method=_one_of(o["method"], place, Method.values),
        instrument_id=_uuid(o["instrument"], place),
        axles=tuple(_list(o["axles"], place, _integer)),
        left_kg=_decimal_or_none(o["left_kg"], place),
        right_kg=_decimal_or_none(o["right_kg"], place),
        value_kg=_decimal(o["value_kg"], place),
        read_at=_moment(o["read_at"], place),
        unit=_one_of(o["unit"], place, list(KG_PER_UNIT)),
        entered={_text(name, place): _text(text, place) for name, text in entered.items()},
    )


def _stop_from_json(data: object, place: str) -> Stop:
    o = _members(data, place, "at by values_kg")
    if not isinstance(o["values_kg"], dict):
        raise _malformed(place, o["values_kg"])
    values = {_text(key, place): _decimal(value, place) for key, value in o["values_kg"].items()}
    return Stop(_moment(o["at"], place), _text(o["by"], place), values)


def _excuse_from_json(data: object, place: str) -> Excuse:
    o = _members(data, place, "rule reason by at")
    return Excuse(
        _text(o["rule"], place), _text(o["reason"], place), _text(o["by"], place), _moment(o["at"], place)
    )


def _malformed(place: str, value: object) -> Refused:
    return Refused(f"The worksheet cannot be read: {place} holds {str(value)[:60]!r}.")


def _members(data: object, place: str, names: str) -> dict[str, Any]:
    if not isinstance(data, dict) or set(data) != set(names.split()):
        raise _malformed(place, sorted(data) if isinstance(data, dict) else data)
    return data


def _list(data: object, place: str, read: Callable[[object, str], Value]) -> list[Value]:
    if not isinstance(data, list):
        raise _malformed(place, data)
    return [read(item, f"{place} {number}") for number, item in enumerate(data, start=1)]


def _integer(value: object, place: str) -> int:
    if type(value) is not int or not 0 < value < 1000:
        raise _malformed(place, value)
    return value


def _boolean(value: object, place: str) -> bool:
    if type(value) is not bool:
        raise _malformed(place, value)
    return value


def _text(value: object, place: str) -> str:
    if not isinstance(value, str):
        raise _malformed(place, value)
    return value


def _one_of(value: object, place: str, allowed: list[str]) -> str:
    text = _text(value, place)
    if text not in allowed:
        raise _malformed(place, value)
    return text


def _decimal(value: object, place: str) -> Decimal:
    try:
        number = Decimal(_text(value, place))
    except InvalidOperation as error:
        raise _malformed(place, value) from error
    if not number.is_finite():
        raise _malformed(place, value)
    return number


def _decimal_or_none(value: object, place: str) -> Decimal | None:
    return None if value is None else _decimal(value, place)


def _uuid(value: object, place: str) -> UUID:
    try:
        return UUID(_text(value, place))
    except ValueError as error:
        raise _malformed(place, value) from error


def _moment(value: object, place: str) -> datetime:
    try:
        moment = datetime.fromisoformat(_text(value, place))
    except ValueError as error:
        raise _malformed(place, value) from error
    if moment.tzinfo is None:
        raise _malformed(place, value)
    return moment
