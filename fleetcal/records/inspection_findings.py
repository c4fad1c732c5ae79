"""The loads of an inspection report held against Regulation (EU) 2019/1213: for information, the approved workshop decides."""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from fleetcal.metrology.eu_obw import (
    BAND_LOADED,
    AccuracyVerdict,
    ThreeLoadVerdict,
    judge_accuracy,
    judge_three_loads,
)
from fleetcal.records.models import Inspection
from fleetcal.records.models.inspections import LoadTest


@dataclass(frozen=True, slots=True)
class PointFinding:
    """One load: both weights in kg, and what the regulation says of their difference, in % of the reference."""

    reference_kg: Decimal
    indicated_kg: Decimal
    verdict: AccuracyVerdict


@dataclass(frozen=True, slots=True)
class InspectionFindings:
    """*sentences* say what the loads show; none where the report gives no loads."""

    points: tuple[PointFinding, ...]
    sentences: tuple[str, ...]


def judge_inspection(inspection: Inspection) -> InspectionFindings:
    weights = [(Decimal(reference), Decimal(indicated)) for reference, indicated in inspection.points]
    if not weights:
        return InspectionFindings((), ())
    maximum_kg = float(inspection.maximum_kg)
    numbers = [(float(reference), float(indicated)) for reference, indicated in weights]
    verdicts = [judge_accuracy(maximum_kg, *pair, stage=inspection.stage) for pair in numbers]
    points = tuple(PointFinding(*pair, verdict) for pair, verdict in zip(weights, verdicts, strict=True))
    if inspection.test == LoadTest.SINGLE_LOAD:
        return InspectionFindings(points, tuple(_tell_single(verdicts[0])))
    verdict = judge_three_loads(maximum_kg, numbers, stage=inspection.stage)
    return InspectionFindings(points, tuple(_tell_three(verdict)))


def _tell_single(verdict: AccuracyVerdict) -> Iterator[str]:
    if verdict.band != BAND_LOADED:
        yield (
            f"The load was {verdict.load_percent:.1f} % of the maximum; a test with a single load is made at 90 % or more."
        )
    elif verdict.within:
        yield f"The error lies within ±{verdict.limit_percent:g} %."
    else:
        yield f"The error lies outside ±{verdict.limit_percent:g} %."


def _tell_three(verdict: ThreeLoadVerdict) -> Iterator[str]:
    if verdict.causes:
        yield f"Outside the limit at {' and '.join(verdict.causes)} of the maximum."
        # Annex IV 9 joins its two causes with "and"; each is shown, and so is how many hold.
        yield (
            "The regulation joins the full load and the lower loads with “and”; here "
            + ("both hold." if verdict.fails_literally else "only one of the two holds.")
        )
    elif not verdict.missing_bands:
        yield "The errors lie within the limits at all three loads."
    if verdict.missing_bands:
        yield f"No load is given at {' or '.join(verdict.missing_bands)} of the maximum."
