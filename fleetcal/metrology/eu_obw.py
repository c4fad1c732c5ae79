"""Inspection cadence and accuracy of on-board weighing in Commission Implementing Regulation (EU) 2019/1213.

Source: OJ L 192, 18.7.2019, p. 1, text as enacted. For information: the approved workshop and the local
authority decide.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import count

from fleetcal.metrology.budget import RefusedError, require_finite, require_positive

THREE_LOADS = "three loads"
SINGLE_LOAD = "single load"
YEARS_BETWEEN_INSPECTIONS = 2

BAND_HALF = "45 to 55 %"
BAND_TWO_THIRDS = "65 to 75 %"
BAND_LOADED = "90 % and more"

# Annex I 8.1 and 8.2; the lower loads Annex IV 9(b).
LOADED_LIMIT_PERCENT = {1: 10.0, 2: 5.0}
PARTIAL_LIMIT_PERCENT = 15.0

DSRC_UNIT_KG = 10
DSRC_LARGEST = 65_535


@dataclass(frozen=True, slots=True)
class Inspection:
    """A date by which an inspection is due, and which test it is."""

    due_on: date
    test: str


@dataclass(frozen=True, slots=True)
class AccuracyVerdict:
    """One indication held against the regulation; `within` is None at a load for which it sets no figure."""

    load_percent: float
    error_percent: float
    band: str | None
    limit_percent: float | None
    within: bool | None


@dataclass(frozen=True, slots=True)
class ThreeLoadVerdict:
    """A three-load test: bands not met, bands not measured, and the failure as the text literally joins it.

    Annex IV 9 names (a) the full load and (b) the lower loads, joined by "and"; each is shown as a cause, and
    `fails_literally` says whether both hold.
    """

    results: tuple[AccuracyVerdict, ...]
    causes: tuple[str, ...]
    missing_bands: tuple[str, ...]
    fails_literally: bool


def inspection_dates(registered_on: date, installed_on: date, until: date) -> tuple[Inspection, ...]:
    """Due dates after installation and up to `until`, every two years, three loads and single load by turns.

    Article 4(1) counts from installation, Annex IV 4 and Table 3 from registration: the earlier of the two
    starts the cadence. Where a system was fitted later than that, its first inspection is the next date of
    the cadence and has three loads, since a single load follows a first three-load test.
    """
    start = min(registered_on, installed_on)
    found: list[Inspection] = []
    for years in count(YEARS_BETWEEN_INSPECTIONS, YEARS_BETWEEN_INSPECTIONS):
        if start.year + years > until.year:
            break
        due_on = _add_years(start, years)
        if installed_on < due_on <= until:
            test = THREE_LOADS if len(found) % 2 == 0 else SINGLE_LOAD
            found.append(Inspection(due_on, test))
    return tuple(found)


def judge_accuracy(
    authorised_kg: float, reference_kg: float, indicated_kg: float, stage: int = 2
) -> AccuracyVerdict:
    """The error in % of the reference: ±5 % (stage 2) or ±10 % (stage 1) loaded, ±15 % at partial loads.

    The regulation does not say what its percentages are relative to: the reference is assumed. It says "above
    90 %" for accuracy and "90-100 %" for the test: 90 % itself is taken in.
    """
    if stage not in LOADED_LIMIT_PERCENT:
        raise RefusedError("stage", stage, "1 or 2")
    require_positive("authorised weight", authorised_kg, "kg")
    require_positive("reference", reference_kg, "kg")
    require_finite("indication", indicated_kg, "kg")
    load_percent = 100.0 * reference_kg / authorised_kg
    error_kg = indicated_kg - reference_kg
    band = _find_band(load_percent)
    limit_percent = None
    within = None
    if band is not None:
        limit_percent = LOADED_LIMIT_PERCENT[stage] if band == BAND_LOADED else PARTIAL_LIMIT_PERCENT
        within = 100.0 * abs(error_kg) <= limit_percent * reference_kg
    return AccuracyVerdict(load_percent, 100.0 * error_kg / reference_kg, band, limit_percent, within)


def judge_three_loads(
    authorised_kg: float, points: Iterable[tuple[float, float]], stage: int = 2
) -> ThreeLoadVerdict:
    """The three-load test from its points (reference_kg, indicated_kg)."""
    results = tuple(judge_accuracy(authorised_kg, *point, stage=stage) for point in points)
    bands = (BAND_HALF, BAND_TWO_THIRDS, BAND_LOADED)
    causes = tuple(band for band in bands if _is_missed(results, band))
    return ThreeLoadVerdict(
        results=results,
        causes=causes,
        missing_bands=tuple(band for band in bands if all(result.band != band for result in results)),
        fails_literally=BAND_LOADED in causes and len(causes) > 1,
    )


def decode_recorded_weight_kg(recorded: int) -> int:
    """A weight as sent to roadside readers, units of 10 kg in 0..65535, in kg (Annex III 7)."""
    if not 0 <= recorded <= DSRC_LARGEST:
        raise RefusedError("recorded weight", recorded, f"0 to {DSRC_LARGEST}", "units of 10 kg")
    return recorded * DSRC_UNIT_KG


def _is_missed(results: Sequence[AccuracyVerdict], band: str) -> bool:
    return any(result.band == band and result.within is False for result in results)


def _find_band(load_percent: float) -> str | None:
    if 45.0 <= load_percent <= 55.0:
        return BAND_HALF
    if 65.0 <= load_percent <= 75.0:
        return BAND_TWO_THIRDS
    return BAND_LOADED if load_percent >= 90.0 else None


def _add_years(day: date, years: int) -> date:
    # 29 February falls due on the 28th, never a day late.
    last_day = 28 if (day.month, day.day) == (2, 29) and not _is_leap(day.year + years) else day.day
    return day.replace(year=day.year + years, day=last_day)


def _is_leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
