"""Figures of Commission Implementing Regulation (EU) 2019/1213, OJ L 192, 18.7.2019."""

import math
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.eu_obw import (
    BAND_HALF,
    BAND_LOADED,
    BAND_TWO_THIRDS,
    SINGLE_LOAD,
    THREE_LOADS,
    decode_recorded_weight_kg,
    inspection_dates,
    judge_accuracy,
    judge_three_loads,
)

days = st.dates(date(2000, 1, 1), date(2060, 12, 31))


def test_the_cadence_of_table_3() -> None:
    found = inspection_dates(date(2022, 3, 1), date(2022, 3, 1), date(2032, 3, 1))
    assert [(inspection.due_on, inspection.test) for inspection in found] == [
        (date(2024, 3, 1), THREE_LOADS),
        (date(2026, 3, 1), SINGLE_LOAD),
        (date(2028, 3, 1), THREE_LOADS),
        (date(2030, 3, 1), SINGLE_LOAD),
        (date(2032, 3, 1), THREE_LOADS),
    ]


def test_the_earlier_of_installation_and_registration_counts() -> None:
    fitted_at_works = inspection_dates(date(2022, 3, 1), date(2021, 11, 15), date(2024, 12, 31))
    assert [inspection.due_on for inspection in fitted_at_works] == [date(2023, 11, 15)]
    fitted_later = inspection_dates(date(2022, 3, 1), date(2022, 9, 1), date(2024, 12, 31))
    assert [inspection.due_on for inspection in fitted_later] == [date(2024, 3, 1)]


def test_a_system_fitted_years_later_starts_with_three_loads_at_the_next_date() -> None:
    found = inspection_dates(date(2015, 6, 10), date(2018, 1, 1), date(2022, 1, 1))
    assert [(inspection.due_on, inspection.test) for inspection in found] == [
        (date(2019, 6, 10), THREE_LOADS),
        (date(2021, 6, 10), SINGLE_LOAD),
    ]


def test_a_leap_day_falls_due_on_the_28th() -> None:
    found = inspection_dates(date(2024, 2, 29), date(2024, 2, 29), date(2028, 12, 31))
    assert [inspection.due_on for inspection in found] == [date(2026, 2, 28), date(2028, 2, 29)]


def test_until_is_taken_in_and_a_day_less_is_not() -> None:
    assert len(inspection_dates(date(2022, 3, 1), date(2022, 3, 1), date(2024, 3, 1))) == 1
    assert inspection_dates(date(2022, 3, 1), date(2022, 3, 1), date(2024, 2, 29)) == ()


@given(days, days, days)
def test_dates_rise_by_two_years_after_installation_and_alternate(
    registered_on: date, installed_on: date, until: date
) -> None:
    found = inspection_dates(registered_on, installed_on, until)
    for number, inspection in enumerate(found):
        assert installed_on < inspection.due_on <= until
        assert inspection.test == (SINGLE_LOAD if number % 2 else THREE_LOADS)
        assert inspection.due_on.year == found[0].due_on.year + 2 * number
    if found:
        assert found[0].due_on <= installed_on + timedelta(days=731)


@pytest.mark.parametrize(
    ("indicated_kg", "stage", "within", "percent"),
    [
        (40_900, 2, True, 4.872),
        (41_000, 2, False, 5.128),
        (41_000, 1, True, 5.128),
        (37_000, 2, False, -5.128),
    ],
)  # computed from Annex I 8; 40 000 kg authorised, 39 000 kg on the reference
def test_a_loaded_vehicle_within_five_or_ten_percent(
    indicated_kg: float, stage: int, within: bool, percent: float
) -> None:
    verdict = judge_accuracy(40_000, 39_000, indicated_kg, stage)
    assert verdict.band == BAND_LOADED
    assert verdict.within is within
    assert verdict.error_percent == pytest.approx(percent, abs=5e-4)


@pytest.mark.parametrize(
    ("reference_kg", "band", "limit_percent"),
    [
        (17_999, None, None),  # 45 % of 40 000 kg is 18 000 kg
        (18_000, BAND_HALF, 15),
        (22_000, BAND_HALF, 15),
        (22_001, None, None),
        (25_999, None, None),
        (26_000, BAND_TWO_THIRDS, 15),
        (30_000, BAND_TWO_THIRDS, 15),
        (30_001, None, None),
        (35_999, None, None),
        (36_000, BAND_LOADED, 5),
        (40_000, BAND_LOADED, 5),
        (41_000, BAND_LOADED, 5),
    ],
)
def test_the_load_decides_which_figure_applies(
    reference_kg: float, band: str | None, limit_percent: float | None
) -> None:
    verdict = judge_accuracy(40_000, reference_kg, reference_kg)
    assert (verdict.band, verdict.limit_percent) == (band, limit_percent)
    assert verdict.within is (None if band is None else True)


@pytest.mark.parametrize(
    ("reference_kg", "indicated_kg", "within"),
    [(20_000, 23_000, True), (20_000, 23_001, False), (40_000, 42_000, True), (40_000, 37_999, False)],
)
def test_the_limit_itself_is_within(reference_kg: float, indicated_kg: float, within: bool) -> None:
    assert judge_accuracy(40_000, reference_kg, indicated_kg).within is within


@pytest.mark.parametrize(
    ("full_kg", "half_kg", "causes", "literally"),
    [
        (39_000, 20_000, (), False),
        (42_000, 20_000, (BAND_LOADED,), False),
        (39_000, 24_000, (BAND_HALF,), False),
        (42_000, 24_000, (BAND_HALF, BAND_LOADED), True),
    ],
)
def test_each_missed_load_is_a_cause_and_the_literal_and_is_told_apart(
    full_kg: float, half_kg: float, causes: tuple[str, ...], literally: bool
) -> None:
    verdict = judge_three_loads(40_000, [(20_000, half_kg), (28_000, 28_500), (39_000, full_kg)])
    assert (verdict.causes, verdict.fails_literally, verdict.missing_bands) == (causes, literally, ())


def test_a_test_that_lacks_a_load_names_it() -> None:
    verdict = judge_three_loads(40_000, [(20_000, 20_100), (33_000, 33_000)])
    assert verdict.missing_bands == (BAND_TWO_THIRDS, BAND_LOADED)
    assert judge_three_loads(40_000, []).missing_bands == (BAND_HALF, BAND_TWO_THIRDS, BAND_LOADED)


@pytest.mark.parametrize(
    ("recorded", "weight_kg"), [(2_500, 25_000), (150, 1_500), (0, 0), (65_535, 655_350)]
)
def test_recorded_weights_are_in_units_of_ten_kg(recorded: int, weight_kg: int) -> None:
    assert decode_recorded_weight_kg(recorded) == weight_kg


@pytest.mark.parametrize("recorded", [-1, 65_536])
def test_it_refuses_a_recorded_weight_that_two_octets_cannot_hold(recorded: int) -> None:
    with pytest.raises(RefusedError):
        decode_recorded_weight_kg(recorded)


@pytest.mark.parametrize(
    "arguments",
    [(0, 1, 1, 2), (1, 0, 1, 2), (math.nan, 1, 1, 2), (1, math.inf, 1, 2), (1, 1, math.nan, 2), (1, 1, 1, 3)],
)
def test_it_refuses_an_accuracy_of_numbers_out_of_shape(arguments: tuple[float, float, float, int]) -> None:
    with pytest.raises(RefusedError):
        judge_accuracy(*arguments)
