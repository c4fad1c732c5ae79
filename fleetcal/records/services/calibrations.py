"""Recording concluded calibrations, accepted or not, with every reading, setting and rule."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.days import moment_text
from fleetcal.fleet.services.rows import checked_alone, write
from fleetcal.ledger.facts import Fact
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft
from fleetcal.metrology.axle_weights import AxleWeights
from fleetcal.records.acceptance_rules import is_excusable, tell_outcome
from fleetcal.records.assessment import Assessment, Basis, JudgedRule, SettingResult, assess
from fleetcal.records.calibration_basis import BasisBook
from fleetcal.records.method import METHOD_VERSION
from fleetcal.records.models import AcceptanceOutcome, Calibration, CalibrationAxle, CalibrationReading
from fleetcal.records.worksheet import Conditions, Sheet, SheetReading
from fleetcal.records.worksheet_checks import check_sheet

MASS, NUMBER = Decimal("0.001"), Decimal("0.0001")


@dataclass(frozen=True, slots=True)
class CalibrationDraft:
    """A complete worksheet. *accept* None lets the rules decide (a paper worksheet); False needs the reason *why_not*.

    A stop without values stands for having entered the values that follow from the readings.
    """

    vehicle_id: UUID
    started_at: datetime
    concluded_at: datetime
    sheet: Sheet
    accept: bool | None = None
    why_not: str = ""
    unit: str = "kg"
    entered: Mapping[str, str] = field(default_factory=dict)
    odometer_km: int | None = None
    note: str = ""


def record_calibration(draft: CalibrationDraft, *, actor: User) -> Calibration:
    return record_calibrations([draft], actor=actor)[0]


def record_calibrations(drafts: Sequence[CalibrationDraft], *, actor: User) -> list[Calibration]:
    """Record *drafts* in order, all or none, in a number of queries that does not depend on how many they are."""
    book = BasisBook({draft.vehicle_id for draft in drafts})
    entries, made = [], []
    for draft in drafts:
        basis = book.basis(draft.vehicle_id, draft.started_at)
        _check_draft(draft, basis)
        assessment = assess(draft.sheet, basis, draft.concluded_at)
        calibration = _build(draft, basis, assessment, book, actor)
        rows: list[Fact] = [calibration, *_build_parts(calibration, draft.sheet, assessment)]
        for row in rows:
            checked_alone(row, without=[*_PARENTS, *_left_open(row)])
        made.append(calibration)
        entries.append(
            Draft(
                stream=calibration.vehicle.stream,
                kind="calibration.accepted" if calibration.accepted else "calibration.not_accepted",
                actor=actor.username,
                rows=rows,
                reason=calibration.why_not,
            )
        )
    write(entries)
    return made


_PARENTS = ("vehicle", "system", "policy_version", "recorded_by", "supersedes", "calibration", "instrument")


def _left_open(row: Fact) -> list[str]:
    """Columns that hold nothing and may: "not yet known" is a value here, and no input is missing."""
    return [f.name for f in row._meta.concrete_fields if f.null and getattr(row, f.attname) is None]


def _check_draft(draft: CalibrationDraft, basis: Basis) -> None:
    if draft.concluded_at > timezone.now():
        raise Refused(f"{moment_text(draft.concluded_at)} lies in the future.", field="concluded_at")
    if draft.started_at > draft.concluded_at:
        raise Refused("A calibration cannot end before it began.", field="started_at")
    if not draft.sheet.readings:
        raise Refused("There is no reading to record.", field="readings")
    check_sheet(draft.sheet, basis, draft.concluded_at)
    for excuse in draft.sheet.excuses:
        if not is_excusable(excuse.rule):
            raise Refused(f"The rule {excuse.rule} cannot be excused.", field="excuses")


def _build(
    draft: CalibrationDraft, basis: Basis, assessment: Assessment, book: BasisBook, actor: User
) -> Calibration:
    accepted, why_not = _decide(draft, assessment)
    sheet, conditions = draft.sheet, draft.sheet.conditions or Conditions()
    covered = sheet.covers_groups or tuple(group.position for group in basis.shape.groups)
    return Calibration(
        vehicle=book.vehicles[draft.vehicle_id],
        happened_at=draft.concluded_at,
        recorded_at=timezone.now(),
        recorded_by=actor,
        note=draft.note,
        odometer_km=draft.odometer_km,
        unit=draft.unit,
        entered={**_entered(sheet.readings), **draft.entered},
        system=basis.readiness.system,
        policy_version=basis.policy,
        method_version=METHOD_VERSION,
        started_at=draft.started_at,
        lift_axles_up=list(conditions.lift_axles_up),
        slope_percent=conditions.slope_percent,
        wind_m_s=conditions.wind_m_s,
        brakes_released=conditions.brakes_released,
        ride_height_settled=conditions.ride_height_settled,
        is_level=conditions.is_level,
        stop_a_at=sheet.stop_a.at if sheet.stop_a else None,
        stop_a_by=sheet.stop_a.by if sheet.stop_a else "",
        stop_b_at=sheet.stop_b.at if sheet.stop_b else None,
        stop_b_by=sheet.stop_b.by if sheet.stop_b else "",
        ticks=list(sheet.ticks),
        accepted=accepted,
        why_not=why_not,
        division_kg=basis.division_kg,
        consistency=_consistency(assessment),
        covers_groups=sorted(covered),
    )


def _decide(draft: CalibrationDraft, assessment: Assessment) -> tuple[bool, str]:
    if draft.accept and not assessment.is_acceptable:
        raise Refused(f"It cannot be accepted: {list_unmet(assessment, draft.unit)}.", field="accept")
    if draft.accept or (draft.accept is None and assessment.is_acceptable):
        return True, ""
    why_not = draft.why_not.strip()
    if draft.accept is None:
        why_not = why_not or list_unmet(assessment, draft.unit)
    if not why_not:
        raise Refused("Say why the calibration is not accepted.", field="why_not")
    return False, why_not


def list_unmet(assessment: Assessment, unit: str) -> str:
    """The rules that stand in the way, in words."""
    return "; ".join(
        f"{text.title}{f' ({text.subject})' if text.subject else ''}: {text.state}"
        for text in (tell_outcome(rule.outcome, unit=unit) for rule in stands_in_the_way(assessment))
    )


def stands_in_the_way(assessment: Assessment) -> list[JudgedRule]:
    return [
        rule
        for rule in assessment.rules
        if rule.outcome.applicable
        and not rule.outcome.warning
        and rule.outcome.met is not True
        and (rule.excuse is None or not is_excusable(rule.outcome.rule))
    ]


def _entered(readings: Sequence[SheetReading]) -> dict[str, str]:
    return {
        f"{reading.label} {name}": f"{text} {reading.unit}"
        for reading in readings
        for name, text in reading.entered.items()
    }


def _build_parts(calibration: Calibration, sheet: Sheet, assessment: Assessment) -> list[Fact]:
    parts: list[Fact] = [_build_reading(calibration, reading) for reading in sheet.readings]
    parts += _build_axles(calibration, assessment.settings, sheet)
    parts += [_build_outcome(calibration, n, rule) for n, rule in enumerate(assessment.rules, start=1)]
    return parts


def _build_reading(calibration: Calibration, reading: SheetReading) -> CalibrationReading:
    return CalibrationReading(
        calibration=calibration,
        number=reading.number,
        state=reading.state,
        method=reading.method,
        instrument_id=reading.instrument_id,
        axles=list(reading.axles),
        left_kg=reading.left_kg,
        right_kg=reading.right_kg,
        value_kg=reading.value_kg,
        read_at=reading.read_at,
    )


def _build_axles(
    calibration: Calibration, results: Sequence[SettingResult], sheet: Sheet
) -> list[CalibrationAxle]:
    """One row per setting that the empty weighing resolved. Without stop A nothing was entered in the display."""
    rows = []
    for each in results if sheet.stop_a else ():
        if each.empty_kg is None or each.u_empty_kg is None or each.tare_kg is None:
            continue
        rows.append(
            CalibrationAxle(
                calibration=calibration,
                axle=each.setting.axles[0],
                group=each.setting.group,
                empty_kg=_round(each.empty_kg, MASS),
                u_empty_kg=_round(each.u_empty_kg, MASS),
                loaded_kg=_decimal(each.loaded_kg, MASS),
                u_loaded_kg=_decimal(each.u_loaded_kg, MASS),
                span_kg=_decimal(each.span_exact_kg, MASS),
                u_span_kg=_decimal(each.u_span_kg, MASS),
                tare_entered_kg=each.tare_kg,
                span_entered_kg=each.span_kg if sheet.stop_b else None,
            )
        )
    return rows


def _build_outcome(calibration: Calibration, number: int, rule: JudgedRule) -> AcceptanceOutcome:
    outcome = rule.outcome
    excuse = rule.excuse if outcome.met is not True and outcome.applicable else None
    return AcceptanceOutcome(
        calibration=calibration,
        number=number,
        rule=outcome.rule,
        subject=outcome.subject,
        applies=outcome.applicable,
        met=outcome.met,
        is_warning=outcome.warning,
        value=_decimal(outcome.value, NUMBER),
        limit=_decimal(outcome.limit, NUMBER),
        missing=_decimal(outcome.missing_kg, NUMBER),
        excuse=excuse.reason if excuse else "",
        excused_by=excuse.by if excuse else "",
    )


def _round(value: float, step: Decimal) -> Decimal:
    return Decimal(value).quantize(step)


def _decimal(value: float | None, step: Decimal) -> Decimal | None:
    return None if value is None else _round(value, step)


def _consistency(assessment: Assessment) -> dict[str, Any]:
    weighings = {"empty": assessment.empty.weights, "loaded": assessment.loaded.weights}
    return {state: _describe(weights) for state, weights in weighings.items() if weights}


def _describe(weights: AxleWeights) -> dict[str, Any]:
    probability = weights.probability
    return {
        "chi_square": f"{weights.chi_square:.4f}",
        "degrees_of_freedom": weights.degrees_of_freedom,
        "probability": None if probability is None else f"{probability:.6f}",
        "suspects": [list(group) for group in weights.suspects],
    }
