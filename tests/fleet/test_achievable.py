from decimal import Decimal

import pytest

from fleetcal.fleet.achievable import achieve, cost_guards
from fleetcal.fleet.models import PolicyVersion


def test_the_uncertainty_of_a_typical_check_is_made_of_reference_division_and_repeatability() -> None:
    gross, _ = achieve(PolicyVersion(repeatability_percent=Decimal("0.30"), gross_percent=Decimal(3)))
    # 23 400 kg is 1170 e: ±40 kg rectangular (OIML R 76); d = 20 kg; s = 78 kg over two readings
    u = (40**2 / 3 + 20**2 / 12 + 78**2 / 2) ** 0.5
    assert gross.load_kg == pytest.approx(23_400)
    assert gross.u_kg == pytest.approx(u, rel=1e-12)
    assert gross.U_kg == pytest.approx(2 * u, rel=1e-12)
    assert gross.tolerance_kg == pytest.approx(780)
    assert not gross.too_large


def test_a_tolerance_below_three_times_the_uncertainty_is_called_too_narrow() -> None:
    version = PolicyVersion(gross_percent=Decimal("1.4"), group_percent=Decimal(5))
    gross, group = achieve(version)
    assert gross.share == pytest.approx(120.50 / 364, rel=2e-2)
    assert [achieve(PolicyVersion(gross_percent=Decimal(p)))[0].too_large for p in ("1.3", "1.5")] == [
        True,
        False,
    ]
    assert not group.too_large


def test_a_floor_counts_where_the_percentage_is_smaller() -> None:
    gross, group = achieve(PolicyVersion(floor_kg=Decimal(900)))
    assert (gross.tolerance_kg, group.tolerance_kg) == (900, 900)


@pytest.mark.parametrize(
    ("version", "own"),
    [
        (PolicyVersion(rule="simple"), "no guard band"),
        (PolicyVersion(rule="guarded", guard_ratio=Decimal("0.70")), "guard band 0.7 U"),
        (PolicyVersion(rule="guarded", guard_ratio=Decimal("1.00")), "guard band 1 U"),
        (PolicyVersion(rule="probability"), "probability of at least 95.0%"),
    ],
)
def test_a_wider_guard_band_lets_fewer_wrong_displays_pass_and_turns_more_right_ones_down(
    version: PolicyVersion, own: str
) -> None:
    costs = cost_guards(version, achieve(version)[0])
    assert [cost.name for cost in costs if cost.is_chosen] == [own]
    assert len({cost.name for cost in costs}) == len(costs) >= 4
    wrong, right = [c.passed_wrong for c in costs], [c.failed_right for c in costs]
    assert wrong == sorted(wrong, reverse=True)
    assert right == sorted(right)
    # Of a thousand, fifty are out of tolerance by the policy's limit on that risk: no rule lets more than those pass.
    assert max(wrong) < 50
