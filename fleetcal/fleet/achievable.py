"""What a policy can show at all: the uncertainty of a typical check against its tolerance, and what its guard band costs.

No database. The typical check: the policy's number of readings, its stated repeatability, a display of division 20 kg, on a class III
weighbridge of e = 20 kg (common practice, no source).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import ndtri

from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.policies import Rule
from fleetcal.metrology.conformity import Tolerance, find_acceptance_limit, global_risks
from fleetcal.metrology.indication import Repeatability, evaluate_indication, refer_to_class

TYPICAL_E_KG = TYPICAL_DIVISION_KG = 20.0
TYPICAL_GROSS_KG, TYPICAL_GROUP_KG = 26_000.0, 11_500.0
# U should not take more than this of the tolerance: common practice, no source.
LARGEST_SHARE = 1 / 3
COMPARED_RATIOS = (0.0, 0.5, 1.0, 1.5)


@dataclass(frozen=True, slots=True)
class Achievable:
    """U of a typical check of a subject whose maximum is `maximum_kg`, held against its tolerance; all in kg."""

    subject: str
    maximum_kg: float
    load_kg: float
    u_kg: float
    U_kg: float
    tolerance_kg: float

    @property
    def share(self) -> float:
        return self.U_kg / self.tolerance_kg

    @property
    def too_large(self) -> bool:
        return self.share > LARGEST_SHARE


@dataclass(frozen=True, slots=True)
class GuardCost:
    """Of a thousand displays checked: how many wrong ones pass (`passed_wrong`), how many right ones do not (`failed_right`)."""

    name: str
    acceptance_kg: float
    passed_wrong: float
    failed_right: float
    is_chosen: bool = False


def achieve(
    version: PolicyVersion, gross_kg: float = TYPICAL_GROSS_KG, group_kg: float = TYPICAL_GROUP_KG
) -> tuple[Achievable, Achievable]:
    """Gross and axle group, for a vehicle with these maxima, loaded as the policy asks of a check."""
    return (
        _achieve(version, "gross", gross_kg, float(version.gross_percent)),
        _achieve(version, "axle group", group_kg, float(version.group_percent)),
    )


def cost_guards(version: PolicyVersion, found: Achievable) -> tuple[GuardCost, ...]:
    """The policy's own rule beside other guard bands, the narrowest acceptance last.

    The displays' true errors are taken as normal around zero, spread so widely that as many are out of tolerance as the policy's limit
    on that risk allows: a fleet that is checked just in time (an assumption, stated with the numbers).
    """
    spread_kg = found.tolerance_kg / float(ndtri(1.0 - float(version.risk_limit_percent) / 200.0))
    rows = [
        (f"guard band {ratio:g} U" if ratio else "no guard band", ratio * found.U_kg, False)
        for ratio in COMPARED_RATIOS
        if not _is_own(version, ratio)
    ]
    rows.append((_own_name(version), _own_guard_kg(version, found), True))
    return tuple(
        _cost(name, found, guard_kg, spread_kg, chosen)
        for name, guard_kg, chosen in sorted(rows, key=lambda row: row[1])
    )


def _achieve(version: PolicyVersion, subject: str, maximum_kg: float, percent: float) -> Achievable:
    load_kg = maximum_kg * float(version.check_min_load_percent) / 100.0
    readings_kg: Sequence[float] = [load_kg] * version.check_min_readings
    found = evaluate_indication(
        refer_to_class(load_kg, "III", TYPICAL_E_KG),
        readings_kg,
        TYPICAL_DIVISION_KG,
        Repeatability(float(version.repeatability_percent) * maximum_kg / 100.0),
    )
    tolerance = Tolerance(percent, version.basis, float(version.floor_kg))
    return Achievable(
        subject, maximum_kg, load_kg, found.u_kg, found.U_kg, tolerance.limit_kg(load_kg, maximum_kg)
    )


def _is_own(version: PolicyVersion, ratio: float) -> bool:
    return (version.rule == Rule.SIMPLE and ratio == 0) or (
        version.rule == Rule.GUARDED and ratio == float(version.guard_ratio)
    )


def _own_guard_kg(version: PolicyVersion, found: Achievable) -> float:
    if version.rule == Rule.SIMPLE:
        return 0.0
    if version.rule == Rule.GUARDED:
        return float(version.guard_ratio) * found.U_kg
    wanted = float(version.conformance_probability)
    return found.tolerance_kg - find_acceptance_limit(found.tolerance_kg, found.u_kg, wanted)


def _own_name(version: PolicyVersion) -> str:
    if version.rule == Rule.SIMPLE:
        return "no guard band"
    if version.rule == Rule.GUARDED:
        return f"guard band {float(version.guard_ratio):g} U"
    return f"probability of at least {float(version.conformance_probability):.1%}"


def _cost(name: str, found: Achievable, guard_kg: float, spread_kg: float, chosen: bool) -> GuardCost:
    passed_wrong, failed_right = global_risks(0.0, spread_kg, found.u_kg, found.tolerance_kg, guard_kg)
    return GuardCost(
        name,
        max(0.0, found.tolerance_kg - guard_kg),
        1000 * passed_wrong,
        1000 * failed_right,
        chosen,
    )
