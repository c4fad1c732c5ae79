"""The acceptance rules of a calibration in words: what each asks, what was found, and what to do while it is not met."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from fleetcal.metrology.acceptance import Outcome
from fleetcal.metrology.mass import from_kg, to_kg
from fleetcal.records.models.calibrations import AcceptanceOutcome

# Below it a probability is only called small: it stands on the normal distribution's tail.
SMALLEST_PROBABILITY = 0.0001
STOP_A, STOP_B = "stop_a", "stop_b"
INSTALLATION_COMPLETE, LEVEL_APPROACH = "installation_complete", "level_approach"


@dataclass(frozen=True, slots=True)
class AcceptanceRule:
    """*measure* is how its numbers are read: fraction, mass, steer (in the policy's unit), probability, %, m/s; empty: a confirmation."""

    title: str
    measure: str = ""
    is_excusable: bool = True
    advice: str = ""


RULES: Mapping[str, AcceptanceRule] = {
    "gross_fraction": AcceptanceRule("Loaded near enough to maximum gross", "fraction"),
    "gross_maximum": AcceptanceRule("Gross not above the plate", "mass", is_excusable=False),
    "steer_increase": AcceptanceRule("Steer axle heavier loaded", "steer"),
    "axle_fraction": AcceptanceRule("Load near to its maximum", "fraction"),
    "axle_maximum": AcceptanceRule("Not above the plate", "mass", is_excusable=False),
    "increase": AcceptanceRule("Heavier loaded than empty", "mass", is_excusable=False),
    "gross_agreement": AcceptanceRule(
        "Sum of axles agrees with the gross in one draft",
        "mass",
        advice="weigh the gross again, and the axle whose reading looks wrong",
    ),
    "redundancy": AcceptanceRule("Readings agree with each other", "probability"),
    "slope_and_wind": AcceptanceRule("Site level and calm enough", "site", advice="wait, or weigh at another place"),
    "instrument_valid": AcceptanceRule(
        "Reference instrument valid on the day", is_excusable=False, advice="weigh on a valid instrument"
    ),
    "bond_cured": AcceptanceRule("Sensor bonds cured", advice="wait until the bond is full"),
    "level_and_calm": AcceptanceRule("Level confirmed, axles of a group in one plane", advice="look, and confirm it"),
    "alarms_set": AcceptanceRule("Alarm points set", advice="set them and record it with the installation"),
    "brakes_released": AcceptanceRule("Brakes released", advice="release them, wheels chocked, and confirm it"),
    "ride_height": AcceptanceRule("Air suspension at ride height and settled", advice="let it settle and confirm it"),
    "lift_state_recorded": AcceptanceRule("State of the lift axles recorded", advice="record it under conditions"),
    INSTALLATION_COMPLETE: AcceptanceRule(
        "Installation complete", advice="settle what the installation record leaves open"
    ),
    LEVEL_APPROACH: AcceptanceRule(
        "Platform and approach in one plane", advice="weigh single axles where the approach lies level with the platform"
    ),
    STOP_A: AcceptanceRule("Stop A signed: tares entered, zero taken", is_excusable=False),
    STOP_B: AcceptanceRule("Stop B signed: spans entered and taught", is_excusable=False),
}  # fmt: skip


def is_excusable(rule: str) -> bool:
    return rule in RULES and RULES[rule].is_excusable


@dataclass(frozen=True, slots=True)
class RuleText:
    """A judged rule as a page or a document shows it. *state* is met, not met, not known, excused or not applicable."""

    rule: str
    title: str
    subject: str
    state: str
    finding: str
    advice: str
    is_warning: bool
    excuse: str
    is_excusable: bool


@dataclass(frozen=True, slots=True)
class _Judged:
    """What an outcome of the core and a stored one have in common; *missing_kg* is the load to add, negative to take off."""

    rule: str
    subject: str
    applies: bool
    met: bool | None
    is_warning: bool
    value: float | None
    limit: float | None
    missing_kg: float | None
    suspects: tuple[tuple[str, ...], ...]
    excuse: str


def tell_outcome(outcome: Outcome, *, unit: str, excuse: str = "") -> RuleText:
    judged = _Judged(
        outcome.rule,
        outcome.subject,
        outcome.applicable,
        outcome.met,
        outcome.warning,
        outcome.value,
        outcome.limit,
        outcome.missing_kg,
        outcome.suspects,
        excuse,
    )
    return _tell(judged, unit, outcome.unit)


def tell_stored(
    row: AcceptanceOutcome, *, unit: str, steer_unit: str, suspects: Sequence[Sequence[str]] = ()
) -> RuleText:
    """The same of a stored outcome; *suspects* stand in the calibration's `consistency`."""
    value, limit, missing = (None if n is None else float(n) for n in (row.value, row.limit, row.missing))
    excuse = f"{row.excuse} ({row.excused_by})" if row.excuse else ""
    judged = _Judged(
        row.rule,
        row.subject,
        row.applies,
        row.met,
        row.is_warning,
        value,
        limit,
        missing,
        tuple(tuple(group) for group in suspects),
        excuse,
    )
    return _tell(judged, unit, steer_unit)


def write_mass(value_kg: float | Decimal, unit: str) -> str:
    """A mass in *unit* (whole kg or lb, t to the kilogram), thousands grouped: "1 240 kg"."""
    number = from_kg(Decimal(str(value_kg)), unit)
    text = f"{abs(number):,.{3 if unit == 't' else 0}f}".replace(",", "\u202f")
    return f"{'−' if number < 0 else ''}{text} {unit}"


def _tell(judged: _Judged, unit: str, steer_unit: str) -> RuleText:
    known = RULES.get(judged.rule, AcceptanceRule(judged.rule))
    return RuleText(
        rule=judged.rule,
        title=known.title,
        subject=judged.subject,
        state=_name_state(judged),
        finding=_write_finding(judged, known.measure, unit, steer_unit),
        advice=_write_advice(judged, known, unit) if judged.met is False else "",
        is_warning=judged.is_warning,
        excuse=judged.excuse,
        is_excusable=known.is_excusable,
    )


def _name_state(judged: _Judged) -> str:
    if not judged.applies:
        return "not applicable"
    if judged.met is not True and judged.excuse:
        return "excused"
    return {True: "met", False: "not met", None: "not known"}[judged.met]


def _write_finding(judged: _Judged, measure: str, unit: str, steer_unit: str) -> str:
    if not judged.applies:
        no_test = "no redundant reading, so that no consistency test is possible"
        return {"redundancy": no_test, "gross_agreement": "no gross in one draft to compare with"}.get(
            judged.rule, ""
        )
    if judged.value is None or judged.limit is None:
        return "" if judged.limit is None else f"asked for: {_write_limit(judged, measure, unit, steer_unit)}"
    value = _write_value(judged.value, judged, measure, unit, steer_unit)
    if judged.rule == "increase":
        return f"{value} heavier"
    return f"{value}; {_write_limit(judged, measure, unit, steer_unit)}"


def _write_limit(judged: _Judged, measure: str, unit: str, steer_unit: str) -> str:
    at_most = judged.rule in {"gross_maximum", "axle_maximum", "gross_agreement", "slope_and_wind"}
    limit = _write_value(judged.limit or 0.0, judged, measure, unit, steer_unit)
    return (
        "more than empty" if judged.rule == "increase" else f"{'at most' if at_most else 'at least'} {limit}"
    )


def _write_value(value: float, judged: _Judged, measure: str, unit: str, steer_unit: str) -> str:
    if measure == "fraction":
        return f"{value * 100:.1f} %"
    if measure == "mass":
        return write_mass(value, unit)
    if measure == "steer":
        return write_mass(float(to_kg(Decimal(str(value)), steer_unit)), unit)
    if measure == "probability":
        return (
            f"probability {value:.2g}"
            if value >= SMALLEST_PROBABILITY
            else f"probability below {SMALLEST_PROBABILITY}"
        )
    return f"{value:.2f} %" if judged.subject == "slope" else f"{value:.1f} m/s"


def _write_advice(judged: _Judged, known: AcceptanceRule, unit: str) -> str:
    missing = judged.missing_kg
    if judged.rule == "redundancy":
        return _write_suspects(judged.suspects)
    if judged.rule in {"gross_maximum", "axle_maximum"} and missing is not None:
        return f"overloaded: take {write_mass(abs(missing), unit)} off, and do not move on a road"
    if judged.rule == "steer_increase" and missing is not None:
        return f"put {write_mass(missing, unit)} in the cab"
    if judged.rule == "increase":
        return "readings are mixed up, or the load is not on this axle: weigh again"
    if missing is not None:
        return f"load {write_mass(missing, unit)} more"
    return known.advice


def _write_suspects(suspects: tuple[tuple[str, ...], ...]) -> str:
    if not suspects:
        return "the readings contradict each other: weigh again"
    names = [
        " or ".join(group) + (" (no data can tell which)" if len(group) > 1 else "") for group in suspects
    ]
    return f"the readings contradict each other, most of all {', then '.join(names)}: weigh again"


def tell_tick(code: str) -> str:
    """A line that is ticked at a stop."""
    fixed = {
        "empty level": "Off the pads or the bridge, on level ground, still empty",
        "slope zero": "The slope sensor has taken its zero",
        "channels zero": "Every channel has taken its zero",
        "loaded level": "Off the pads or the bridge, on level ground, still loaded",
    }
    verb, _, setting = code.partition(" ")
    if code in fixed:
        return fixed[code]
    return f"Tare of {setting} entered" if verb == "tare" else f"Span of {setting} entered and taught"
