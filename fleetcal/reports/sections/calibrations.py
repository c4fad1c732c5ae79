"""Every calibration of the period: readings, tare and span, the rules it was judged by, and its two signed stops."""

from decimal import Decimal

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models.systems import WeighingMode
from fleetcal.records.acceptance_rules import RuleText, tell_stored, tell_tick
from fleetcal.records.models import AcceptanceOutcome, Calibration, CalibrationAxle
from fleetcal.reports.audit_trail import AuditRecord, AuditTrail
from fleetcal.reports.composer import Column, Composer
from fleetcal.reports.figures import group_text, join_words, number_text, result_text, yes_no
from fleetcal.reports.sections.records import foot_of, title_of


def write_calibrations(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.heading("Calibrations")
    if not trail.calibrations:
        story.append(compose.text("No calibration is on record in this period."))
    for record in trail.calibrations:
        story += _calibration(record, trail, compose)
    return story


def _calibration(record: AuditRecord[Calibration], trail: AuditTrail, compose: Composer) -> list[Flowable]:
    row = record.row
    story = compose.subheading(
        title_of(record, trail, f"calibration {'accepted' if row.accepted else 'not accepted'}")
    )
    if row.why_not:
        story.append(compose.notice(f"Not accepted: {row.why_not}"))
    return [
        *story,
        compose.facts(_facts(record, trail, compose)),
        *_readings(row, compose),
        *_settings(row, trail, compose),
        *_rules(row, compose),
        *foot_of(record, compose),
    ]


def _facts(record: AuditRecord[Calibration], trail: AuditTrail, compose: Composer) -> list[tuple[str, str]]:
    row = record.row
    lifted = join_words([f"axle {number}" for number in row.lift_axles_up])
    slope = "" if row.slope_percent is None else f"slope {number_text(row.slope_percent)} %"
    wind = "" if row.wind_m_s is None else f"wind {number_text(row.wind_m_s)} m/s"
    site = ", ".join(part for part in (slope, wind) if part)
    return [
        ("Begun, concluded", f"{compose.moment(row.started_at)}; {compose.moment(row.happened_at)}"),
        ("Display", f"{row.system.serial}, division {compose.mass(row.division_kg)} {compose.unit}"),
        ("Groups calibrated", join_words([str(group) for group in row.covers_groups])),
        ("Reference instruments", _references(row, trail)),
        ("Site", site or "not recorded"),
        (
            "Confirmed",
            f"brakes released: {yes_no(row.brakes_released)}; ride height settled: {yes_no(row.ride_height_settled)}; "
            f"level, axles of a group in one plane: {yes_no(row.is_level)}",
        ),
        ("Lift axles up", lifted or "none"),
        ("Odometer", "" if row.odometer_km is None else f"{number_text(Decimal(row.odometer_km))} km"),
        ("Stop A, tares entered and zero taken", _stop(row.stop_a_at, row.stop_a_by, compose)),
        ("Stop B, spans entered and taught", _stop(row.stop_b_at, row.stop_b_by, compose)),
        ("Ticked at the stops", "; ".join(tell_tick(code) for code in row.ticks)),
        ("Agreement of the readings", "; ".join(_consistency(row))),
        ("Judged by", f"{row.policy_version}, method version {row.method_version}"),
    ]


def _stop(at: object, by: str, compose: Composer) -> str:
    return f"{compose.moment(at)}, {by}" if at else "not signed"  # type: ignore[arg-type]  # a nullable column


def _references(row: Calibration, trail: AuditTrail) -> str:
    used = {reading.instrument.pk: reading.instrument for reading in row.readings.all()}
    told = []
    for instrument in sorted(used.values(), key=lambda each: each.name):
        validity = trail.validity_on(instrument, trail.day_of(row.happened_at))
        if validity and validity.valid and validity.certificate:
            until = day_text(validity.certificate.valid_until)
            told.append(f"{instrument.name}, certificate {validity.certificate.number} until {until}")
        else:
            told.append(f"{instrument.name}, not valid on the day: {validity.why_not if validity else ''}")
    return "\n".join(told)


def _consistency(row: Calibration) -> list[str]:
    told = []
    for state in ("empty", "loaded"):
        found = row.consistency.get(state)
        if not found:
            continue
        if found.get("probability") is None:
            told.append(f"{state}: no redundant reading")
            continue
        probability = number_text(Decimal(found["probability"]).quantize(Decimal("0.0001")))
        suspects = "".join(f", most of all {' or '.join(group)}" for group in found.get("suspects", []))
        told.append(
            f"{state}: chi-square {number_text(Decimal(found['chi_square']).quantize(Decimal('0.01')))} with "
            f"{found['degrees_of_freedom']} degrees of freedom, probability {probability}{suspects}"
        )
    return told


def _readings(row: Calibration, compose: Composer) -> list[Flowable]:
    columns = [
        Column("No.", 7, "number"),
        Column("State", 9),
        Column("Method", 10),
        Column("Instrument", 30),
        Column("Axles", 12),
        Column(f"Left, {compose.unit}", 11, "number"),
        Column(f"Right, {compose.unit}", 11, "number"),
        Column(f"Value, {compose.unit}", 12, "number"),
        Column("Read at", 20),
    ]
    rows = [
        [
            str(reading.number),
            reading.get_state_display(),
            reading.method,
            reading.instrument.name,
            " + ".join(map(str, reading.axles)),
            compose.mass(reading.left_kg),
            compose.mass(reading.right_kg),
            compose.mass(reading.value_kg),
            compose.moment(reading.read_at),
        ]
        for reading in row.readings.all()
    ]
    caption = "Readings (pads: the two sides of one axle; bridge: all axles named stood on the platform)"
    return compose.table(columns, rows, caption)


def _settings(row: Calibration, trail: AuditTrail, compose: Composer) -> list[Flowable]:
    settings = list(row.axles.all())
    if not settings:
        return [compose.text("No value was entered in the display.")]
    unit = compose.unit
    columns = [
        Column("Setting", 25),
        Column(f"Empty, {unit}", 11, "number"),
        Column(f"u, {unit}", 8, "number"),
        Column(f"Loaded, {unit}", 12, "number"),
        Column(f"u, {unit}", 8, "number"),
        Column(f"Span, {unit}", 11, "number"),
        Column(f"u, {unit}", 8, "number"),
        Column(f"Tare entered, {unit}", 14, "number"),
        Column(f"Span entered, {unit}", 14, "number"),
    ]
    rows = [[_setting(each, row, trail), *_solved(each, unit, compose)] for each in settings]
    return compose.table(
        columns, rows, "Tare and span: as solved from the readings, and as entered in the display"
    )


def _solved(each: CalibrationAxle, unit: str, compose: Composer) -> list[str]:
    return [
        *result_text(each.empty_kg, each.u_empty_kg, unit),
        *result_text(each.loaded_kg, each.u_loaded_kg, unit),
        *result_text(each.span_kg, each.u_span_kg, unit),
        compose.mass(each.tare_entered_kg),
        compose.mass(each.span_entered_kg),
    ]


def _setting(each: CalibrationAxle, row: Calibration, trail: AuditTrail) -> str:
    positions = {group.position: group.axles for group in trail.shape.groups}
    if row.system.mode == WeighingMode.GROUP and each.group in positions:
        return group_text(each.group, positions[each.group])
    return f"Axle {each.axle} (group {each.group})"


def _rules(row: Calibration, compose: Composer) -> list[Flowable]:
    """What has a number or stands in the way as a table; what was merely confirmed, or does not apply, in a line each."""
    told = [_rule(outcome, row, compose.unit) for outcome in row.outcomes.all()]
    plain = {"met": "Also met", "not applicable": "Not applicable"}
    listed = [text for text in told if text.state not in plain or (text.state == "met" and text.finding)]
    columns = [Column("Rule", 34), Column("Of", 14), Column("Found", 32), Column("State", 20)]
    rows = [[text.title, text.subject, text.finding, _state(text)] for text in listed]
    story = compose.table(columns, rows, "Acceptance rules, as judged when it was concluded") if rows else []
    for state, name in plain.items():
        titles = [
            f"{text.title}{f' ({text.subject})' if text.subject else ''}"
            for text in told
            if text.state == state and text not in listed
        ]
        if titles:
            story.append(compose.text(f"{name}: {'; '.join(titles)}."))
    return story


def _rule(outcome: AcceptanceOutcome, row: Calibration, unit: str) -> RuleText:
    suspects = row.consistency.get(outcome.subject, {}).get("suspects", ())
    return tell_stored(
        outcome, unit=unit, steer_unit=row.policy_version.steer_increase_unit, suspects=suspects
    )


def _state(text: RuleText) -> str:
    warning = " (a warning)" if text.is_warning and text.state == "not met" else ""
    return "\n".join(part for part in (f"{text.state}{warning}", text.excuse) if part)
