"""What the vehicle was held to: every policy version that was in force on a day of the period."""

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.policies import Rule, ToleranceBasis
from fleetcal.reports.audit_trail import AuditTrail
from fleetcal.reports.composer import Composer
from fleetcal.reports.figures import count_text, number_text
from fleetcal.reports.sections.records import recorded_text


def write_policies(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.heading("Policy versions in force")
    if not trail.policies:
        story.append(compose.text("No policy was in force on any day of this period."))
    for span in trail.policies:
        version = span.version
        story += compose.subheading(f"{version}: {day_text(span.since)} to {day_text(span.until)}")
        story.append(compose.facts(_terms(version, compose)))
        if version.note:
            story.append(compose.text(f"Why this version: {version.note}"))
        story.append(compose.small(recorded_text(span.recording, compose)))
    return story


def _terms(version: PolicyVersion, compose: Composer) -> list[tuple[str, str]]:
    base = "of the rated maximum" if version.basis == ToleranceBasis.MAXIMUM else "of the reference weight"
    floor = f", at least {compose.mass(version.floor_kg)} {compose.unit}" if version.floor_kg else ""
    terms = [
        ("In force from", day_text(version.effective_from)),
        (
            "Tolerance",
            f"gross ±{number_text(version.gross_percent)} %, axle group ±{number_text(version.group_percent)} % {base}{floor}",
        ),
        ("Decision", _rule(version)),
        (
            "A check counts",
            f"at {number_text(version.check_min_load_percent)} % of the maximum gross or more, with at least "
            f"{count_text(version.check_min_readings, 'settled reading')}",
        ),
        (
            "Intervals",
            f"longest {count_text(version.longest_interval_days, 'day')}, first check after a calibration "
            f"{count_text(version.first_check_days, 'day')}, after a conditional pass "
            f"{count_text(version.conditional_recheck_days, 'day')}, after suspension work that asks for a check "
            f"{count_text(version.repair_check_days, 'day')}, after an excused bond "
            f"{count_text(version.early_check_days, 'day')}; planning window "
            f"{count_text(version.planning_window_days, 'day')}",
        ),
        (
            "Everyday tickets",
            "count as checks" if version.trade_tickets_count else "are kept, and do not count as checks",
        ),
        (
            "A calibration is accepted",
            f"at {number_text(version.calibration_min_gross_percent)} % of the maximum gross or more, steer axle at least "
            f"{number_text(version.steer_increase)} {version.steer_increase_unit} heavier loaded, slope of the site at most "
            f"{number_text(version.max_slope_percent)} %, wind at most {number_text(version.max_wind_m_s)} m/s, "
            f"bonds cured for {version.cure_hours} h",
        ),
    ]
    if version.longest_distance_km:
        terms.append(("Longest distance", f"{version.longest_distance_km} km"))
    return terms


def _rule(version: PolicyVersion) -> str:
    if version.rule == Rule.SIMPLE:
        return "pass within the tolerance, fail outside (simple acceptance)"
    if version.rule == Rule.GUARDED:
        return f"four words, with a guard band of {number_text(version.guard_ratio)} times U"
    asked = number_text(version.conformance_probability * 100)
    return f"pass when the error is within the tolerance with a probability of at least {asked} %"
