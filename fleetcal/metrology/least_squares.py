"""Generalised least squares with a consistency test and a test of every single value.

β = argmin (z - Hβ)ᵀ V⁻¹ (z - Hβ), by Cholesky whitening and QR: the weighted least squares and chi-square
test of ISO/TS 28037:2010, for a full covariance V.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ROW_SPACE_TOLERANCE = 1e-9
UNCONTROLLED_BELOW = 1e-7


class UnusableReadings(ValueError):
    """The readings, keys or coefficients cannot be computed with; the message says which and why."""


class Unresolvable(UnusableReadings):
    """The readings do not determine these keys."""

    def __init__(self, keys: tuple[str, ...]) -> None:
        super().__init__(f"the readings do not determine: {', '.join(keys)}")
        self.keys = keys


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fit of m values by n coefficients.

    `gain` (n × m) maps values to coefficients. `w_statistics` (m) are the normalised residuals, zero where
    `controlled` is False. `w_correlation` (m × m) is their correlation, which does not depend on the values.
    """

    coefficients: Floats
    covariance: Floats
    residuals: Floats
    gain: Floats
    chi_square: float
    degrees_of_freedom: int
    controlled: Bools
    w_statistics: Floats
    w_correlation: Floats

    @property
    def probability(self) -> float | None:
        """P(chi-square at least this large | the model holds); None without redundancy."""
        return float(chdtrc(self.degrees_of_freedom, self.chi_square)) if self.degrees_of_freedom else None


def gls(design: ArrayLike, values: ArrayLike, covariance: ArrayLike) -> Fit:
    """Fit values (m) by design (m × n) given their covariance (m × m), in any one unit.

    Raises UnusableReadings for shapes, non-finite entries or a covariance that is not symmetric and positive
    definite, and Unresolvable with the column numbers, counted from 0, that the design does not determine.
    """
    h, z, v = (np.asarray(a, dtype=np.float64) for a in (design, values, covariance))
    if h.ndim != 2 or h.size == 0 or z.shape != (h.shape[0],) or v.shape != (h.shape[0], h.shape[0]):
        raise UnusableReadings(f"shapes do not fit: design {h.shape}, values {z.shape}, covariance {v.shape}")
    if not (np.isfinite(h).all() and np.isfinite(z).all() and np.isfinite(v).all()):
        raise UnusableReadings("design, values and covariance must be finite")
    if not np.allclose(v, v.T, rtol=1e-12, atol=0):
        raise UnusableReadings("the covariance is not symmetric")
    # Columns of very different size (powers of a load) must not look dependent.
    scale = np.linalg.norm(h, axis=0)
    basis = find_row_space(h / np.where(scale > 0, scale, 1.0))
    missing = np.flatnonzero(~is_in_row_space(basis, np.eye(h.shape[1])))
    if missing.size:
        raise Unresolvable(tuple(str(column) for column in missing))
    return fit_full_rank(h, z, v)


def fit_full_rank(h: Floats, z: Floats, v: Floats) -> Fit:
    """`gls` for a caller that has checked shapes and rank."""
    m, n = h.shape
    try:
        lower = np.linalg.cholesky(v)
    except np.linalg.LinAlgError as error:
        raise UnusableReadings("the covariance is not positive definite") from error
    # numpy's solver, although the matrices are triangular: scipy's brings a second pool of BLAS threads, and on a busy
    # machine handing it a matrix of three rows takes milliseconds instead of microseconds.
    white = np.linalg.solve(lower, np.column_stack((h, z, np.eye(m))))
    white_z, white_unit = white[:, n], white[:, n + 1 :]
    q, r = np.linalg.qr(white[:, :n])
    r_inverse = np.linalg.solve(r, np.eye(n))
    coefficients = r_inverse @ (q.T @ white_z)
    white_residuals = white_z - q @ (q.T @ white_z)
    chi_square = float(white_residuals @ white_residuals) if m > n else 0.0
    controlled, unit = _find_signatures(q, white_unit)
    covariance = r_inverse @ r_inverse.T
    if not (np.isfinite(covariance).all() and math.isfinite(chi_square)):
        raise UnusableReadings("values and uncertainties span too many orders of magnitude")
    return Fit(
        coefficients=coefficients,
        covariance=covariance,
        residuals=z - h @ coefficients,
        gain=r_inverse @ (q.T @ white_unit),
        chi_square=chi_square,
        degrees_of_freedom=m - n,
        controlled=controlled,
        w_statistics=unit.T @ white_residuals,
        w_correlation=unit.T @ unit,
    )


def _find_signatures(q: Floats, white_unit: Floats) -> tuple[Bools, Floats]:
    """What an error in one value alone does to the whitened residuals, as a unit column per value.

    With a full V the residuals' component along it, and not a residual over its own deviation, is the most
    powerful test of that value; with a diagonal V both are the same. A value without trace is uncontrolled.
    """
    signatures = white_unit - q @ (q.T @ white_unit)
    lengths = np.linalg.norm(signatures, axis=0)
    controlled = lengths > UNCONTROLLED_BELOW * np.linalg.norm(white_unit, axis=0)
    return controlled, np.where(controlled, signatures / np.where(controlled, lengths, 1.0), 0.0)


def find_row_space(h: Floats) -> Floats:
    """An orthonormal basis of the row space of h (m × n), as the columns of n × rank."""
    _, singular, rows = np.linalg.svd(h, full_matrices=False)
    rank = int((singular > max(h.shape) * np.finfo(np.float64).eps * singular[0]).sum())
    return np.asarray(rows[:rank].T)


def is_in_row_space(basis: Floats, targets: Floats) -> Bools:
    """Of each row of targets (k × n, entries of order 1), whether the basis spans it."""
    outside = targets - (targets @ basis) @ basis.T
    return np.asarray((np.abs(outside) < ROW_SPACE_TOLERANCE).all(axis=1))
