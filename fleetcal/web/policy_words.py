"""A policy version as people read it: what it asks, line by line, with its numbers."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.policies import Rule
from fleetcal.records.models.installations import InstallationItem
from fleetcal.web.templatetags.quantities import mass


@dataclass(frozen=True, slots=True)
class Section:
    title: str
    lines: tuple[tuple[str, str], ...]


def describe(version: PolicyVersion, unit: str) -> tuple[Section, ...]:
    return (
        Section("Tolerance and decision", _decision(version, unit)),
        Section("Checks", _checks(version)),
        Section("Calibration", _calibration(version)),
        Section("Installation", _installation(version)),
    )


def _decision(version: PolicyVersion, unit: str) -> tuple[tuple[str, str], ...]:
    basis = version.get_basis_display().removeprefix("% of ")
    floor = f", and at least {mass(version.floor_kg, unit)} {unit}" if version.floor_kg else ""
    return (
        ("Gross", f"±{number(version.gross_percent)} % of {basis}{floor}"),
        ("Axle group", f"±{number(version.group_percent)} % of {basis}{floor}"),
        ("Decision rule", _rule(version)),
        (
            "Repeatability",
            f"{number(version.repeatability_percent)} % of the maximum, until enough repeated readings are on record",
        ),
        (
            "Risk",
            f"of being out of tolerance, at most {number(version.risk_limit_percent)} % until the next check",
        ),
    )


def _rule(version: PolicyVersion) -> str:
    if version.rule == Rule.SIMPLE:
        return "simple acceptance: pass within the tolerance, fail outside"
    if version.rule == Rule.GUARDED:
        return (
            f"guard band of {number(version.guard_ratio)} times the expanded uncertainty: pass, conditional pass, "
            "conditional fail, fail"
        )
    return f"pass when the error is within the tolerance with a probability of at least {number(version.conformance_probability * 100)} %"


def _checks(version: PolicyVersion) -> tuple[tuple[str, str], ...]:
    lines = [
        (
            "A check counts",
            f"at {number(version.check_min_load_percent)} % of the maximum gross or more, with at least "
            f"{counted(version.check_min_readings, 'settled reading')}",
        ),
        (
            "Interval",
            f"at most {counted(version.longest_interval_days, 'day')}, at least "
            f"{counted(version.shortest_interval_days, 'day')}",
        ),
        ("First check", f"{counted(version.first_check_days, 'day')} after a calibration"),
        ("After a conditional pass", f"again within {counted(version.conditional_recheck_days, 'day')}"),
        (
            "After suspension work",
            f"within {counted(version.repair_check_days, 'day')}, where it asks for a check",
        ),
        (
            "After an excused bond",
            f"within {counted(version.early_check_days, 'day')}",
        ),
        ("Planning window", f"{counted(version.planning_window_days, 'day')} before the due date"),
        (
            "Everyday tickets",
            "count as checks" if version.trade_tickets_count else "are kept, and do not count as checks",
        ),
    ]
    if version.longest_distance_km:
        lines.append(("Distance", f"at most {version.longest_distance_km} km between checks"))
    if version.follows_eu_cadence:
        lines.append(("EU 2019/1213", "its two-yearly cadence is shown, for information"))
    return tuple(lines)


def _calibration(version: PolicyVersion) -> tuple[tuple[str, str], ...]:
    return (
        ("Loaded gross", f"at least {number(version.calibration_min_gross_percent)} % of the maximum gross"),
        (
            "Steer axle",
            f"at least {number(version.steer_increase)} {version.steer_increase_unit} heavier loaded than empty",
        ),
        ("Axles", f"a warning below {number(version.axle_warn_percent)} % of the axle’s maximum"),
        (
            "Site",
            f"slope at most {number(version.max_slope_percent)} %, wind at most {number(version.max_wind_m_s)} m/s",
        ),
    )


def _installation(version: PolicyVersion) -> tuple[tuple[str, str], ...]:
    labels = dict(InstallationItem.choices)
    waits = ", ".join(str(labels[code]) for code in version.required_items if code in labels)
    return (
        (
            "Bonding",
            f"surface at {number(version.min_bond_temperature)} {version.get_min_bond_temperature_unit_display()} or more, "
            f"pressed for at least {version.min_press_minutes} min, full bond after {version.cure_hours} h",
        ),
        ("Fuse", f"{number(version.fuse_a)} A in the supply lead"),
        ("Alarm points", f"at most {number(version.alarm_margin_percent)} % of the rating plate"),
        ("A calibration waits for", waits or "nothing"),
    )


def changes_between(before: PolicyVersion, after: PolicyVersion, unit: str) -> list[str]:
    """The lines of *after* that read otherwise in *before*."""
    then: Mapping[tuple[str, str], str] = {
        (section.title, label): text for section in describe(before, unit) for label, text in section.lines
    }
    return [
        f"{label}: {text}"
        for section in describe(after, unit)
        for label, text in section.lines
        if then.get((section.title, label)) != text
    ]


def number(value: Decimal) -> str:
    """Without the zeros that only fill the column."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
