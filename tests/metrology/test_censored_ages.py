import math
from collections.abc import Callable

import numpy as np
import pytest

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.censored_ages import collect_ages, collect_as_found

INF = math.inf


def test_as_found_results_become_intervals() -> None:
    # In tolerance at 300 d; out at 300 d; out at 300 d but good at 120 d; in tolerance at 300 d and at 120 d.
    ages = collect_as_found([300, 300, 300, 300], [True, False, False, True], [0, 0, 120, 120])
    assert ages.lower_days.tolist() == [0, 120, 300]
    assert ages.upper_days.tolist() == [300, 300, INF]
    assert ages.counts.tolist() == [1, 1, 2]
    assert (ages.items, ages.found_out) == (4, 2)


def test_without_earlier_checks_an_item_found_out_may_have_left_at_any_age() -> None:
    ages = collect_as_found([200, 100], [False, True])
    assert (ages.lower_days.tolist(), ages.upper_days.tolist()) == ([0, 100], [200, INF])


def test_equal_rows_are_added_up_with_their_counts() -> None:
    ages = collect_ages([5, 0, 5], [INF, 5, INF], [2, 1, 3])
    assert (ages.lower_days.tolist(), ages.counts.tolist()) == ([0, 5], [1, 5])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: collect_ages([], []), "three rows of one length"),
        (lambda: collect_ages([1, 2], [3]), "three rows of one length"),
        (lambda: collect_ages([[1.0]], [[2.0]]), "three rows of one length"),
        (lambda: collect_ages([-1], [3]), "lower age: -1.0 d"),
        (lambda: collect_ages([math.nan], [3]), "lower age: nan d"),
        (lambda: collect_ages([INF], [INF]), "lower age: inf d"),
        (lambda: collect_ages([3], [3]), "upper age: 3.0 d given, above the lower age 3 d"),
        (lambda: collect_ages([3], [2e6]), "upper age: 2000000.0 d"),
        (lambda: collect_ages([3], [math.nan]), "upper age: nan d"),
        (lambda: collect_ages([3], [4], [0]), "items: 0.0"),
        (lambda: collect_ages([3], [4], [1.5]), "items: 1.5"),
        (lambda: collect_ages([3], [4], [INF]), "items: inf"),
        (lambda: collect_as_found([10], [False], [10]), "above the lower age 10 d"),
        (lambda: collect_as_found([10, 20], [False]), "three rows of one length"),
        (lambda: collect_as_found([10], np.array([True]), [1, 2]), "three rows of one length"),
    ],
)
def test_it_refuses_ages_that_are_none(call: Callable[[], object], words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        call()
