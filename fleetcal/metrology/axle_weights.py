"""Axle weights from readings that are sums over known sets of axles.

z = H w + e with H of 0/1 and Cov(e) = V = diag(u_own²) + Σ_b s_b s_bᵀ: s_b holds u_shared of the readings
that instrument b gave, an error common to all of them which no number of readings averages out. Masses in kg,
covariances in kg²; the fit is that of `least_squares`.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fleetcal.metrology.least_squares import (
    Fit,
    Floats,
    Unresolvable,
    UnusableReadings,
    find_row_space,
    fit_full_rank,
    is_in_row_space,
)

Labels = tuple[str, ...]
Matrix = tuple[tuple[float, ...], ...]

CONSISTENCY_PROBABILITY = 0.05
SUSPICIOUS_W = 1.959964  # two-sided 5 % point of the normal distribution
LARGEST_KG = 1e6
SMALLEST_U_KG = 1e-3
LARGEST_U_RATIO = 1e5  # beyond it V, which holds squares, has no digits left for the smaller uncertainty
SAME_DIRECTION_ABOVE = 1 - 1e-9


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading in kg. `covers` names the axles (or axle groups) that stood on the instrument.

    `u_own_kg` is the standard uncertainty of this reading alone (rounding, repeatability), `u_shared_kg` its
    part of the error that all readings of this instrument have in common, fully correlated and of one sign.
    """

    label: str
    value_kg: float
    covers: frozenset[str]
    u_own_kg: float
    instrument: str
    u_shared_kg: float = 0.0

    def __post_init__(self) -> None:
        for name, number, smallest in (
            ("reading", self.value_kg, 0),
            ("own uncertainty", self.u_own_kg, SMALLEST_U_KG),
            ("shared uncertainty", self.u_shared_kg, 0),
        ):
            if not smallest <= number <= LARGEST_KG:
                raise UnusableReadings(
                    f"{self.label}: {name} of {number} kg is not between {smallest} and {LARGEST_KG:.0f} kg"
                )
        if not self.covers:
            raise UnusableReadings(f"{self.label}: the reading of {self.value_kg} kg covers no axle")


@dataclass(frozen=True, slots=True)
class Estimate:
    value_kg: float
    u_kg: float


@dataclass(frozen=True, slots=True)
class AxleWeights:
    """Solved weights in the order of `keys`.

    `shared_kg` gives per instrument what one standard deviation of its common error does to each weight.
    `w_statistics` is None where no other reading controls this one. `suspects` is empty unless the readings
    contradict each other (probability < 0.05); readings in one tuple cannot be told apart by any data.
    """

    keys: Labels
    weights_kg: tuple[float, ...]
    covariance: Matrix
    chi_square: float
    degrees_of_freedom: int
    probability: float | None
    labels: Labels
    residuals_kg: tuple[float, ...]
    w_statistics: tuple[float | None, ...]
    suspects: tuple[Labels, ...]
    shared_kg: tuple[tuple[str, tuple[float, ...]], ...]

    def weight(self, key: str) -> float:
        return self.weights_kg[self._index(key)]

    def u(self, key: str) -> float:
        return math.sqrt(self.covariance[self._index(key)][self._index(key)])

    def total(self) -> float:
        return math.fsum(self.weights_kg)

    def u_total(self) -> float:
        return self.combine(dict.fromkeys(self.keys, 1.0))[1]

    def combine(self, coefficients: Mapping[str, float]) -> tuple[float, float]:
        """The value of Σ c·w and its standard uncertainty √(cᵀ C c), in kg."""
        terms = [(self._index(key), c) for key, c in coefficients.items()]
        if not all(math.isfinite(c) for _, c in terms):
            raise UnusableReadings(f"coefficients must be finite: {dict(coefficients)}")
        value = math.fsum(c * self.weights_kg[i] for i, c in terms)
        variance = math.fsum(a * b * self.covariance[i][j] for i, a in terms for j, b in terms)
        return value, math.sqrt(max(variance, 0.0))

    def _index(self, key: str) -> int:
        if key not in self.keys:
            raise UnusableReadings(f"no weight for {key!r}; there are {', '.join(self.keys)}")
        return self.keys.index(key)


def solve(readings: Sequence[Reading], keys: Sequence[str]) -> AxleWeights:
    """The weight of every key, with covariance and the consistency of the readings.

    Raises UnusableReadings for no readings, repeated keys or a reading over an unknown key; Unresolvable
    naming each key whose unit vector is outside the row space of H.
    """
    h = _design(readings, keys)
    missing = ~is_in_row_space(find_row_space(h), np.eye(len(keys)))
    if missing.any():
        raise Unresolvable(tuple(key for key, is_missing in zip(keys, missing, strict=True) if is_missing))
    instruments, s = _shared_errors(readings)
    fit = fit_full_rank(h, np.array([r.value_kg for r in readings]), _covariance(readings, s))
    w_statistics = (float(w) if c else None for w, c in zip(fit.w_statistics, fit.controlled, strict=True))
    return AxleWeights(
        keys=tuple(keys),
        weights_kg=tuple(fit.coefficients.tolist()),
        covariance=_as_matrix(fit.covariance),
        chi_square=fit.chi_square,
        degrees_of_freedom=fit.degrees_of_freedom,
        probability=fit.probability,
        labels=tuple(r.label for r in readings),
        residuals_kg=tuple(fit.residuals.tolist()),
        w_statistics=tuple(w_statistics),
        suspects=_name_suspects(fit, [r.label for r in readings]),
        shared_kg=tuple(zip(instruments, _as_matrix((fit.gain @ s).T), strict=True)),
    )


def _design(readings: Sequence[Reading], keys: Sequence[str]) -> Floats:
    _check_keys(readings, keys)
    return np.array([[float(key in r.covers) for key in keys] for r in readings])


def _check_keys(readings: Sequence[Reading], keys: Sequence[str]) -> None:
    known = frozenset(keys)
    if not readings:
        raise UnusableReadings("there are no readings")
    if not keys or len(known) != len(keys):
        raise UnusableReadings(f"keys must be given, each once: {', '.join(keys) or 'none'}")
    for reading in readings:
        if not reading.covers <= known:
            raise UnusableReadings(
                f"{reading.label} covers unknown {', '.join(sorted(reading.covers - known))}"
            )


def _shared_errors(readings: Sequence[Reading]) -> tuple[Labels, Floats]:
    """Instruments with a shared error, in order of appearance, and S (m × instruments) with V = D + S Sᵀ."""
    instruments = tuple(dict.fromkeys(r.instrument for r in readings if r.u_shared_kg > 0))
    s = np.array([[r.u_shared_kg if r.instrument == b else 0.0 for b in instruments] for r in readings])
    return instruments, s.reshape(len(readings), len(instruments))


def _covariance(readings: Sequence[Reading], s: Floats) -> Floats:
    own = np.array([r.u_own_kg for r in readings])
    largest = max(float(own.max()), float(s.max(initial=0.0)))
    if largest > LARGEST_U_RATIO * float(own.min()):
        raise UnusableReadings(
            f"uncertainties from {own.min()} kg to {largest} kg are too far apart to combine"
        )
    return np.asarray(np.diag(own**2) + s @ s.T)


def _as_matrix(array: Floats) -> Matrix:
    return tuple(tuple(row) for row in array.tolist())


def _name_suspects(fit: Fit, labels: Sequence[str]) -> tuple[Labels, ...]:
    probability = fit.probability
    if probability is None or probability >= CONSISTENCY_PROBABILITY:
        return ()
    groups: list[list[int]] = []
    for i in np.flatnonzero(fit.controlled).tolist():
        for group in groups:
            if abs(fit.w_correlation[i, group[0]]) > SAME_DIRECTION_ABOVE:
                group.append(i)
                break
        else:
            groups.append([i])
    ranked = sorted(groups, key=lambda group: -abs(fit.w_statistics[group[0]]))
    suspicious = [group for group in ranked if abs(fit.w_statistics[group[0]]) > SUSPICIOUS_W]
    return tuple(tuple(labels[i] for i in group) for group in suspicious)


@dataclass(frozen=True, slots=True)
class SumEstimates:
    """Sums over sets of keys, in the order of `targets`; None where the readings do not separate that sum."""

    targets: tuple[frozenset[str], ...]
    estimates: tuple[Estimate | None, ...]
    covariance: tuple[tuple[float | None, ...], ...]
    shared_kg: tuple[tuple[str, tuple[float | None, ...]], ...]
    chi_square: float
    degrees_of_freedom: int
    probability: float | None

    def __getitem__(self, index: int) -> Estimate | None:
        return self.estimates[index]

    def __iter__(self) -> Iterator[Estimate | None]:
        return iter(self.estimates)

    def __len__(self) -> int:
        return len(self.estimates)


def estimate(
    readings: Sequence[Reading], keys: Sequence[str], targets: Sequence[frozenset[str]]
) -> SumEstimates:
    """Each target's sum Σ w with joint covariance, as far as the readings determine it.

    A sum is estimable if its 0/1 vector t lies in the row space of H. With B an orthonormal basis of that
    space, w = B β, β by generalised least squares of z on H B, and tᵀw = (tᵀB) β whatever the undetermined
    part of w. Raises UnusableReadings as `solve` does; never Unresolvable.
    """
    wanted = tuple(targets)
    if any(not target or not target <= frozenset(keys) for target in wanted):
        raise UnusableReadings(f"a target is empty or names a key that is not one of {', '.join(keys)}")
    if len(readings) == 1:
        # Almost every ticket of an import is one reading, and needs no matrix.
        _check_keys(readings, keys)
        return _estimate_from_one(readings[0], wanted)
    h = _design(readings, keys)
    basis = find_row_space(h)
    t = np.array([[float(key in target) for key in keys] for target in wanted]).reshape(
        len(wanted), len(keys)
    )
    known = is_in_row_space(basis, t).tolist()
    instruments, s = _shared_errors(readings)
    fit = fit_full_rank(h @ basis, np.array([r.value_kg for r in readings]), _covariance(readings, s))
    tb = t @ basis
    values = (tb @ fit.coefficients).tolist()
    covariance = (tb @ fit.covariance @ tb.T).tolist()
    shared = (tb @ fit.gain @ s).T.tolist()
    size = range(len(wanted))
    return SumEstimates(
        targets=wanted,
        estimates=tuple(Estimate(values[i], math.sqrt(covariance[i][i])) if known[i] else None for i in size),
        covariance=tuple(
            tuple(covariance[i][j] if known[i] and known[j] else None for j in size) for i in size
        ),
        shared_kg=tuple(
            (b, tuple(row[i] if known[i] else None for i in size))
            for b, row in zip(instruments, shared, strict=True)
        ),
        chi_square=fit.chi_square,
        degrees_of_freedom=fit.degrees_of_freedom,
        probability=fit.probability,
    )


def _estimate_from_one(reading: Reading, targets: tuple[frozenset[str], ...]) -> SumEstimates:
    known = [target == reading.covers for target in targets]
    variance = reading.u_own_kg**2 + reading.u_shared_kg**2
    only = Estimate(float(reading.value_kg), math.sqrt(variance))
    shared = tuple(reading.u_shared_kg if k else None for k in known)
    return SumEstimates(
        targets=targets,
        estimates=tuple(only if k else None for k in known),
        covariance=tuple(tuple(variance if a and b else None for b in known) for a in known),
        shared_kg=((reading.instrument, shared),) if reading.u_shared_kg > 0 else (),
        chi_square=0.0,
        degrees_of_freedom=0,
        probability=None,
    )


@dataclass(frozen=True, slots=True)
class GrossAgreement:
    """The gross in one draft beside the sum from the other readings; u of their difference, in kg."""

    sum_kg: float
    gross_kg: float
    u_difference_kg: float

    @property
    def difference_kg(self) -> float:
        return self.sum_kg - self.gross_kg


def compare_with_gross(readings: Sequence[Reading], keys: Sequence[str]) -> GrossAgreement | None:
    """Readings over all keys against the sum that the others give; None where either is missing.

    u² = u_sum² + u_gross² - 2 Σ_b g_b g'_b: an instrument that gave both contributes its shared error to
    both, so that only the difference of the two parts counts.
    """
    whole = frozenset(keys)
    _check_keys(readings, keys)
    drafts = [r for r in readings if r.covers == whole]
    parts = [r for r in readings if r.covers != whole]
    if not drafts or not parts:
        return None
    by_parts, by_draft = (estimate(chosen, keys, (whole,)) for chosen in (parts, drafts))
    total, gross = by_parts[0], by_draft[0]
    if total is None or gross is None:
        return None
    draft_shared = dict(by_draft.shared_kg)
    common = math.fsum((g[0] or 0.0) * (draft_shared.get(b, (0.0,))[0] or 0.0) for b, g in by_parts.shared_kg)
    variance = total.u_kg**2 + gross.u_kg**2 - 2 * common
    return GrossAgreement(total.value_kg, gross.value_kg, math.sqrt(max(variance, 0.0)))
