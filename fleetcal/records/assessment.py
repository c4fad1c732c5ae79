"""What a worksheet says so far: weights, values to enter, acceptance rule by rule, and what may be done next. No database, no clock."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from decimal import Decimal
from uuid import UUID

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.vehicles import Suspension, UnitKind
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.acceptance import (
    AcceptanceLimits,
    AxleFacts,
    CalibrationFacts,
    Outcome,
    describe_consistency,
    is_acceptable,
    judge,
)
from fleetcal.metrology.span import NOISE_DECIMALS, SpanValues, round_to_division, subtract
from fleetcal.records.acceptance_rules import (
    INSTALLATION_COMPLETE,
    LEVEL_APPROACH,
    STOP_A,
    STOP_B,
    is_excusable,
)
from fleetcal.records.models.calibrations import LoadState, Method
from fleetcal.records.models.installations import InstallationItem
from fleetcal.records.readiness import Readiness
from fleetcal.records.worksheet import Conditions, Excuse, Sheet, Stop
from fleetcal.records.worksheet_weights import (
    ReferenceUsed,
    Setting,
    Weighing,
    axle_key,
    list_settings,
    weigh,
)

COVERAGE_FACTOR = 2.0
# A limit of nothing at all is written as this, which no measurement tells from zero.
SMALLEST_LIMIT = 1e-9


@dataclass(frozen=True, slots=True)
class Basis:
    """What a worksheet is judged against: the vehicle, its display, the instruments on the day, the policy, the installation."""

    shape: VehicleShape
    division_kg: Decimal
    mode: str
    instruments: Mapping[UUID, ReferenceUsed]
    policy: PolicyVersion
    readiness: Readiness
    started_at: datetime
    zone: tzinfo


@dataclass(frozen=True, slots=True)
class SettingResult:
    """One setting of the display; None is not yet known. *tare_kg* and *span_kg* are what to enter, rounded to its division."""

    setting: Setting
    empty_kg: float | None = None
    u_empty_kg: float | None = None
    loaded_kg: float | None = None
    u_loaded_kg: float | None = None
    span_exact_kg: float | None = None
    u_span_kg: float | None = None
    tare_kg: Decimal | None = None
    span_kg: Decimal | None = None

    @property
    def tare_rounding_kg(self) -> Decimal | None:
        return _rounding(self.tare_kg, self.empty_kg)

    @property
    def span_rounding_kg(self) -> Decimal | None:
        return _rounding(self.span_kg, self.span_exact_kg)


@dataclass(frozen=True, slots=True)
class Step:
    """Whether something may be done now, and if not, why not and what to do."""

    allowed: bool
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class JudgedRule:
    outcome: Outcome
    excuse: Excuse | None


@dataclass(frozen=True, slots=True)
class Assessment:
    settings: tuple[SettingResult, ...]
    empty: Weighing
    loaded: Weighing
    rules: tuple[JudgedRule, ...]
    ticks_a: tuple[str, ...]
    ticks_b: tuple[str, ...]
    may_sign_a: Step
    may_read_loaded: Step
    may_sign_b: Step
    may_accept: Step

    @property
    def is_acceptable(self) -> bool:
        return self.may_accept.allowed


def ticks_of_stop_a(settings: Sequence[Setting]) -> tuple[str, ...]:
    """What is confirmed at stop A, as codes."""
    return ("empty level", *(f"tare {s.key}" for s in settings), "slope zero", "channels zero")


def ticks_of_stop_b(settings: Sequence[Setting]) -> tuple[str, ...]:
    return ("loaded level", *(f"taught {s.key}" for s in settings))


def standing_axles(shape: VehicleShape, conditions: Conditions | None) -> tuple[int, ...]:
    """The axles that carry load, from the front."""
    lifted = conditions.lift_axles_up if conditions else ()
    return tuple(axle.number for axle in shape.axles if axle.number not in lifted)


def settings_of(sheet: Sheet, basis: Basis) -> tuple[Setting, ...]:
    lifted = sheet.conditions.lift_axles_up if sheet.conditions else ()
    return list_settings(basis.shape, basis.mode, sheet.covers_groups, lifted)


def assess(sheet: Sheet, basis: Basis, at: datetime) -> Assessment:
    """Everything that follows from *sheet* at the moment *at*."""
    settings = settings_of(sheet, basis)
    if not settings:
        raise Refused("No axle is left to calibrate: every axle of the chosen groups is lifted.")
    standing = standing_axles(basis.shape, sheet.conditions)
    day = basis.started_at.astimezone(basis.zone).date()
    empty, loaded = (
        weigh(sheet.of_state(state), basis.instruments, settings, standing, day)
        for state in (LoadState.EMPTY, LoadState.LOADED)
    )
    results = _list_results(settings, empty, loaded, basis.division_kg, sheet)
    ticks_a, ticks_b = ticks_of_stop_a(settings), ticks_of_stop_b(settings)
    facts = _gather_facts(sheet, basis, settings, empty, loaded)
    covered = {number for setting in settings for number in setting.axles}
    outcomes = (
        *_judge_gross_of_all(judge(facts, _limits(basis.policy)), covered, basis, standing, loaded),
        *_judge_records(sheet, basis),
        _judge_stop(STOP_A, sheet.stop_a, sheet, ticks_a),
        _judge_stop(STOP_B, sheet.stop_b, sheet, ticks_b),
    )
    outcomes = tuple(_drop_what_the_policy_leaves_out(outcome, basis.readiness) for outcome in outcomes)
    return Assessment(
        settings=results,
        empty=empty,
        loaded=loaded,
        rules=tuple(JudgedRule(outcome, sheet.excuse_for(outcome.rule)) for outcome in outcomes),
        ticks_a=ticks_a,
        ticks_b=ticks_b,
        may_sign_a=_may_sign_a(sheet, empty, ticks_a),
        may_read_loaded=_may_read_loaded(sheet),
        may_sign_b=_may_sign_b(sheet, loaded, ticks_b, basis.zone, at),
        may_accept=_may_accept(outcomes, sheet),
    )


def _rounding(entered_kg: Decimal | None, exact_kg: float | None) -> Decimal | None:
    if entered_kg is None or exact_kg is None:
        return None
    return entered_kg - round(Decimal(exact_kg), NOISE_DECIMALS)


def _list_results(
    settings: Sequence[Setting], empty: Weighing, loaded: Weighing, division_kg: Decimal, sheet: Sheet
) -> tuple[SettingResult, ...]:
    spans = subtract(empty.weights, loaded.weights) if empty.weights and loaded.weights else None
    return tuple(_result(setting, empty, loaded, spans, division_kg, sheet) for setting in settings)


def _result(
    setting: Setting,
    empty: Weighing,
    loaded: Weighing,
    spans: SpanValues | None,
    division_kg: Decimal,
    sheet: Sheet,
) -> SettingResult:
    key = setting.key
    span = None if spans is None else spans.spans_kg[spans.keys.index(key)]
    empty_kg = empty.weights.weight(key) if empty.weights else None
    return SettingResult(
        setting=setting,
        empty_kg=empty_kg,
        u_empty_kg=empty.weights.u(key) if empty.weights else None,
        loaded_kg=loaded.weights.weight(key) if loaded.weights else None,
        u_loaded_kg=loaded.weights.u(key) if loaded.weights else None,
        span_exact_kg=span,
        u_span_kg=spans.u_span(key) if spans else None,
        tare_kg=_to_enter(sheet.stop_a, key, empty_kg, division_kg),
        span_kg=_to_enter(sheet.stop_b, key, span, division_kg),
    )


def _to_enter(stop: Stop | None, key: str, exact_kg: float | None, division_kg: Decimal) -> Decimal | None:
    """What was entered, once the stop is signed; until then what is to be entered."""
    if stop is not None and key in stop.values_kg:
        return stop.values_kg[key]
    if exact_kg is None:
        return None
    return round_to_division(round(Decimal(exact_kg), NOISE_DECIMALS), division_kg)


def _limits(policy: PolicyVersion) -> AcceptanceLimits:
    def fraction(percent: Decimal) -> float:
        return max(float(percent) / 100.0, SMALLEST_LIMIT)

    return AcceptanceLimits(
        steer_increase=max(float(policy.steer_increase), SMALLEST_LIMIT),
        unit="lb" if policy.steer_increase_unit == "lb" else "kg",
        gross_fraction=fraction(policy.calibration_min_gross_percent),
        axle_fraction=fraction(policy.axle_warn_percent),
        slope_percent=max(float(policy.max_slope_percent), SMALLEST_LIMIT),
        wind_m_per_s=max(float(policy.max_wind_m_s), SMALLEST_LIMIT),
        coverage_factor=COVERAGE_FACTOR,
    )


def _gather_facts(
    sheet: Sheet, basis: Basis, settings: Sequence[Setting], empty: Weighing, loaded: Weighing
) -> CalibrationFacts:
    conditions, shape, readiness = sheet.conditions, basis.shape, basis.readiness
    standing = standing_axles(shape, conditions)
    used = {reading.instrument_id for reading in sheet.readings}
    air = {str(Suspension.AIR), str(Suspension.MIXED)}
    alarms = (InstallationItem.ALARM_GROSS, InstallationItem.ALARM_AXLES)
    return CalibrationFacts(
        axles=_axle_facts(basis, settings, empty, loaded, standing),
        maximum_gross_kg=shape.max_gross_kg,
        draft_gross_kg=loaded.draft_gross_kg,
        empty_weighed=empty.weights is not None,
        loaded_weighed=loaded.weights is not None,
        empty_agreement=empty.agreement,
        loaded_agreement=loaded.agreement,
        empty_consistency=describe_consistency(empty.weights) if empty.weights else None,
        loaded_consistency=describe_consistency(loaded.weights) if loaded.weights else None,
        slope_percent=_as_float(conditions.slope_percent) if conditions else None,
        wind_m_per_s=_as_float(conditions.wind_m_s) if conditions else None,
        instrument_valid=all(basis.instruments[pk].validity.valid for pk in used) if used else None,
        bond_cured=readiness.state_of(InstallationItem.CURED) is not False,
        level_and_calm=conditions.is_level if conditions else None,
        alarms_set=all(readiness.state_of(item) is not False for item in alarms),
        brakes_released=conditions.brakes_released if conditions else None,
        has_air_suspension=any(group.suspension in air for group in shape.groups),
        ride_height=conditions.ride_height_settled if conditions else None,
        has_lift_axles=any(axle.is_lift for axle in shape.axles),
        lift_state_recorded=True if conditions else None,
    )


def _as_float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _axle_facts(
    basis: Basis, settings: Sequence[Setting], empty: Weighing, loaded: Weighing, standing: Sequence[int]
) -> tuple[AxleFacts, ...]:
    """Per axle where the readings tell the axles apart, else per setting, so that each rule has one value of each state."""
    maxima = {axle.number: axle.max_kg for axle in basis.shape.axles}
    steer = _steer_axles(basis.shape)
    facts = []
    for setting in settings:
        apart = all(_tells_apart(weighing, setting.axles) for weighing in (empty, loaded))
        keys = [(axle_key(n), maxima[n], n in steer) for n in setting.axles] if apart else []
        for key, maximum, is_steer in keys or [
            (setting.key, setting.maximum_kg, bool(steer & set(setting.axles)))
        ]:
            source = "parts" if apart else "weights"
            facts.append(
                AxleFacts(key, maximum, _weight(empty, source, key), _weight(loaded, source, key), is_steer)
            )
    return tuple(facts)


def _weight(weighing: Weighing, source: str, key: str) -> float | None:
    solved = weighing.parts if source == "parts" else weighing.weights
    return None if solved is None else solved.weight(key)


def _tells_apart(weighing: Weighing, axles: Sequence[int]) -> bool:
    parts = weighing.part_axles
    return parts is None or all(axle_key(number) in parts for number in axles)


def _steer_axles(shape: VehicleShape) -> set[int]:
    """Steered axles ahead of the first driven one, where the cab's weight rests. A trailer has no cab."""
    if shape.kind == UnitKind.TRAILER:
        return set()
    first_driven = min((axle.number for axle in shape.axles if axle.is_driven), default=len(shape.axles) + 1)
    return {axle.number for axle in shape.axles if axle.is_steered and axle.number < first_driven}


def _judge_gross_of_all(
    outcomes: Sequence[Outcome], covered: set[int], basis: Basis, standing: Sequence[int], loaded: Weighing
) -> tuple[Outcome, ...]:
    """Where only some groups are calibrated, their sum is not the gross: that comes from all parts, or from one draft."""
    if covered == set(standing):
        return tuple(outcomes)
    weighed = {number for axles in (loaded.part_axles or {}).values() for number in axles}
    gross_kg = loaded.parts.total() if loaded.parts and weighed == set(standing) else loaded.draft_gross_kg
    facts = CalibrationFacts(
        axles=(AxleFacts("gross", loaded_kg=gross_kg),), maximum_gross_kg=basis.shape.max_gross_kg
    )
    judged = {outcome.rule: outcome for outcome in judge(facts, _limits(basis.policy))}
    return tuple(
        judged[outcome.rule] if outcome.rule in {"gross_fraction", "gross_maximum"} else outcome
        for outcome in outcomes
    )


def _judge_records(sheet: Sheet, basis: Basis) -> tuple[Outcome, ...]:
    bridge = [reading for reading in sheet.readings if reading.method == Method.BRIDGE]
    standing = set(standing_axles(basis.shape, sheet.conditions))
    partial = [reading for reading in bridge if set(reading.axles) != standing]
    level = all(basis.instruments[r.instrument_id].terms.has_level_approach for r in partial)
    return (
        Outcome(INSTALLATION_COMPLETE, basis.readiness.is_complete),
        Outcome(LEVEL_APPROACH, level if partial else None, applicable=bool(partial)),
    )


def _judge_stop(rule: str, stop: Stop | None, sheet: Sheet, ticks: Sequence[str]) -> Outcome:
    return Outcome(rule, True if stop and set(ticks) <= set(sheet.ticks) else None)


def _drop_what_the_policy_leaves_out(outcome: Outcome, readiness: Readiness) -> Outcome:
    items = {
        "bond_cured": (InstallationItem.CURED,),
        "alarms_set": (InstallationItem.ALARM_GROSS, InstallationItem.ALARM_AXLES),
    }.get(outcome.rule)
    if items is None or any(readiness.is_required(item) for item in items):
        return outcome
    return replace(outcome, met=None, applicable=False)


def _may_sign_a(sheet: Sheet, empty: Weighing, ticks: Sequence[str]) -> Step:
    if sheet.stop_a:
        return Step(False, "Stop A is signed.")
    if sheet.conditions is None:
        return Step(False, "Record the conditions and the state of the lift axles first.")
    if empty.weights is None:
        return Step(False, empty.problem)
    return _all_ticked(sheet, ticks)


def _may_read_loaded(sheet: Sheet) -> Step:
    if sheet.stop_a is None:
        return Step(False, "Sign stop A first: tares and zero are taken while the vehicle is still empty.")
    return Step(False, "Stop B is signed.") if sheet.stop_b else Step(True)


def _may_sign_b(sheet: Sheet, loaded: Weighing, ticks: Sequence[str], zone: tzinfo, at: datetime) -> Step:
    if sheet.stop_b:
        return Step(False, "Stop B is signed.")
    if sheet.stop_a is None:
        return Step(False, "Stop A comes first.")
    if not is_same_day(sheet.stop_a.at, at, zone):
        return Step(
            False,
            f"Stop A was signed on {day_text(sheet.stop_a.at.astimezone(zone))}; spans are taught on the same day, with the same "
            "load. Abandon this worksheet and begin again.",
        )
    if loaded.weights is None:
        return Step(False, loaded.problem)
    return _all_ticked(sheet, ticks)


def is_same_day(one: datetime, other: datetime, zone: tzinfo) -> bool:
    return one.astimezone(zone).date() == other.astimezone(zone).date()


def _all_ticked(sheet: Sheet, ticks: Sequence[str]) -> Step:
    missing = [tick for tick in ticks if tick not in sheet.ticks]
    return Step(False, f"Tick every line: {len(missing)} of {len(ticks)} missing.") if missing else Step(True)


def _may_accept(outcomes: Sequence[Outcome], sheet: Sheet) -> Step:
    excused = {excuse.rule for excuse in sheet.excuses if is_excusable(excuse.rule)}
    if is_acceptable(outcomes, excused):
        return Step(True)
    binding = [o for o in outcomes if o.applicable and not o.warning and o.rule not in excused]
    unmet = sum(outcome.met is False for outcome in binding)
    unknown = sum(outcome.met is None for outcome in binding)
    return Step(False, f"of the rules, {unmet} not met and {unknown} not yet known.")
