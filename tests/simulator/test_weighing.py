"""Observation errors are those that the parameters and the instruments state."""

from datetime import date

import numpy as np
import pytest

from fleetcal.simulator.truth import draw_history, well_specified
from fleetcal.simulator.vehicles import CYCLE, Layout
from fleetcal.simulator.weighing import (
    Reference,
    empty_kg,
    read_display,
    repeatability_kg,
    share_load,
    sum_groups,
)


@pytest.mark.parametrize("suspension", ["steel", "air", "rubber"])
@pytest.mark.parametrize(("ratio", "part"), [(1.0, 1.0), (0.4, 0.48)])
def test_a_display_repeats_itself_as_stated_around_the_true_error(
    suspension: str, ratio: float, part: float
) -> None:
    parameters = well_specified()
    history = draw_history(
        [((1,), suspension, 18000.0)],
        parameters,
        epoch=date(2024, 1, 1),
        horizon_days=100,
        rng=np.random.default_rng(2),
    )
    rng = np.random.default_rng(3)
    load_kg, repeatability = ratio * 18000.0, parameters[suspension].repeatability * 18000.0 * part
    shown_kg = np.array([read_display(history, [load_kg], 60.0, 20, rng)[0] for _ in range(4000)])
    assert repeatability_kg(history, 0, load_kg) == pytest.approx(repeatability)
    assert np.std(shown_kg) == pytest.approx(np.hypot(repeatability, 20 / np.sqrt(12)), rel=0.05)
    true_kg = load_kg + history.error_kg(0, load_kg, 60.0)
    assert np.mean(shown_kg) == pytest.approx(true_kg, abs=4 * repeatability / np.sqrt(4000))
    assert not np.any(shown_kg % 20)


def test_a_reference_reads_its_own_span_error_to_its_division() -> None:
    bridge = Reference("B-1", "weighbridge", 20, 0.0005)
    rng = np.random.default_rng(4)
    read_kg = np.array([bridge.read_kg(40000.0, rng) for _ in range(2000)])
    assert np.mean(read_kg) == pytest.approx(40020.0, abs=1.5)
    assert not np.any(read_kg % 20)


@pytest.mark.parametrize("layout", CYCLE)
def test_a_load_adds_up_and_stays_below_every_plate(layout: Layout) -> None:
    rng = np.random.default_rng(6)
    for gross_kg in (empty_kg(layout, rng), 0.7 * layout.max_gross_kg, 0.98 * layout.max_gross_kg):
        for _ in range(50):
            loads_kg = share_load(layout, gross_kg, rng)
            assert sum(loads_kg) == pytest.approx(gross_kg)
            assert all(0 < load <= plate for load, plate in zip(loads_kg, layout.axle_max_kg, strict=True))
            assert sum(sum_groups(layout, loads_kg)) == pytest.approx(gross_kg)


@pytest.mark.parametrize("layout", CYCLE)
def test_every_layout_is_complete(layout: Layout) -> None:
    axles = tuple(axle for group in layout.groups for axle in group)
    assert axles == tuple(range(1, len(layout.axle_max_kg) + 1))
    assert len(layout.suspension) == len(layout.groups)
    assert len(layout.spacing_mm) == len(axles) - 1
    assert len(layout.empty_kg) == len(axles)
    assert sum(layout.axle_max_kg) >= layout.max_gross_kg
