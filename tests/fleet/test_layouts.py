from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from fleetcal.fleet.layouts import Layout, check_layout
from fleetcal.ledger.refusals import Refused
from tests.factories import BUILDS, kg

RIGID = BUILDS["rigid3"]


@pytest.mark.parametrize("name", BUILDS)
def test_every_build_can_be(name: str) -> None:
    check_layout(BUILDS[name].layout, BUILDS[name].max_gross_kg)


def test_a_group_may_carry_what_its_axles_carry_together_unless_the_plate_says_less() -> None:
    assert RIGID.layout.max_of_group_kg(2) == Decimal(19_000)
    assert replace(RIGID.layout, group_max_kg=kg(8_000, 18_000)).max_of_group_kg(2) == Decimal(18_000)
    assert [RIGID.layout.group_of(axle) for axle in (1, 2, 3)] == [1, 2, 2]


def test_a_gross_below_the_sum_of_the_axles_is_accepted_and_one_above_it_refused_with_both_numbers() -> None:
    check_layout(RIGID.layout, Decimal(27_000))
    with pytest.raises(Refused, match="27001 kg is above the sum of the axles' maxima, 27000 kg") as refusal:
        check_layout(RIGID.layout, Decimal(27_001))
    assert refusal.value.field == "max_gross_kg"


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"axle_max_kg": ()}, "axle_max_kg", "0 axles given"),
        ({"axle_max_kg": kg(8_000, 0, 7_500)}, "axle_max_kg", "axle 2: 0 kg"),
        ({"axle_max_kg": (Decimal(8_000), Decimal("NaN"), Decimal(7_500))}, "axle_max_kg", "axle 2: NaN"),
        ({"spacing_mm": (4_500,)}, "spacing_mm", "1 distances given for 3 axles: 2"),
        ({"spacing_mm": (4_500, 299)}, "spacing_mm", "axle 3 .* 299 mm is not between 300 and 20000"),
        ({"groups": ((1,), (2,))}, "groups", "Groups 1;2: each of the 3 axles"),
        ({"groups": ((1, 2), (2, 3))}, "groups", "each of the 3 axles"),
        ({"groups": ((1, 3), (2,))}, "groups", "without a gap"),
        ({"suspension": ("steel",)}, "suspension", "1 suspension types given for 2 groups"),
        ({"group_max_kg": kg(8_000)}, "group_max_kg", "1 maxima given for 2 groups"),
        ({"group_max_kg": kg(8_000, 19_001)}, "group_max_kg", "group 2: 19001 kg .* 19000 kg"),
        ({"lift_axles": (4,)}, "lift_axles", "no axle 4, only 1 to 3"),
        ({"lift_axles": (1,), "steered_axles": (1,)}, "lift_axles", "Axle 1 cannot be a lift axle"),
    ],
)
def test_what_cannot_be_is_refused_with_its_numbers(change: dict[str, Any], field: str, words: str) -> None:
    with pytest.raises(Refused, match=words) as refusal:
        check_layout(replace(RIGID.layout, **change), Decimal(20_000))
    assert refusal.value.field == field


def test_thirteen_axles_are_refused() -> None:
    layout = Layout(kg(*[8_000] * 13), (1_300,) * 12, (tuple(range(1, 14)),), ("air",))
    with pytest.raises(Refused, match="13 axles given: a vehicle has 1 to 12"):
        check_layout(layout, Decimal(20_000))
