"""What the errors were on past days, given everything known since: the fixed-interval smoother.

The recursion of Rauch, Tung and Striebel in the form of Bryson and Frazier, which runs back over adjoint
variables and inverts no predicted covariance, so that an exactly known drift rate does no harm:

    λ ← H̃ᵀ·(e − W·λ) + λ,  Λ ← H̃ᵀ·H̃ + (I − Wᵀ·H̃)ᵀ·Λ·(I − Wᵀ·H̃),  H̃ = L⁻¹·H,
    x̂ = x + P·λ,  V = P − P·Λ·P,  then λ ← Fᵀ·λ, Λ ← Fᵀ·Λ·F to the step before.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleetcal.metrology.drift_batches import UnitBatch, insert_days
from fleetcal.metrology.drift_model import Bools, DriftState, Floats, HyperParameters, require_shape
from fleetcal.metrology.drift_units import Update, cut_blocks, mirror, run_units, solve_lower, weigh_rows


@dataclass(frozen=True, slots=True, eq=False)
class SmoothedUnits:
    """Mean (T × D × n) and covariance (T × D × D × n) of the states at the steps, given all steps."""

    mean: Floats
    covariance: Floats


def smooth_units(units: UnitBatch, parameters: Sequence[HyperParameters], start: DriftState) -> SmoothedUnits:
    """The states of every unit at every step, after that step's repair and calibration.

    A reset cuts the errors off from what came later; only the drift rate's knowledge passes it. Fractions of
    full load, days. Memory T·D²·n: meant for the vehicles that somebody looks at.
    """
    steps, groups, count = units.load_ratio.shape
    require_shape("start", start.mean, (3 * groups, count))
    everybody = slice(None)
    mean, covariance = np.empty((steps, *start.mean.shape)), np.empty((steps, *start.covariance.shape))
    updates: list[Update | None] = []
    for number, step in enumerate(
        run_units(units, parameters, start.mean.copy(), start.covariance.copy(), everybody)
    ):
        mean[number], covariance[number] = step.mean, step.covariance
        mirror(covariance[number])
        updates.append(step.update)
    slope, curvature = np.zeros_like(start.mean), np.zeros_like(start.covariance)
    for number in range(steps - 1, -1, -1):
        if (update := updates[number]) is not None:
            design = _whiten_design(units, number, update)
            slope, curvature = _pass_ticket(design, update, slope, curvature)
        at = covariance[number]
        mean[number] += np.einsum("ijn,jn->in", at, slope)
        covariance[number] -= _multiply(_multiply(at, curvature), at)
        if units.resets is not None:
            _pass_reset(units.resets.at[number], slope, curvature)
        _pass_time(units.gap_days[number], slope, curvature)
    return SmoothedUnits(mean, covariance)


def smooth_days(
    units: UnitBatch, parameters: Sequence[HyperParameters], start: DriftState, days: Floats
) -> SmoothedUnits:
    """The states on each of `days` since the start (m), each before what happens at that very moment."""
    merged, places = insert_days(units, days)
    smoothed = smooth_units(merged, parameters, start)
    return SmoothedUnits(
        mean=np.take_along_axis(smoothed.mean, places[:, None], axis=0),
        covariance=np.take_along_axis(smoothed.covariance, places[:, None, None], axis=0),
    )


def _multiply(left: Floats, right: Floats) -> Floats:
    return np.asarray(np.einsum("ijn,jkn->ikn", left, right))


def _whiten_design(units: UnitBatch, number: int, update: Update) -> Floats:
    """H̃ = L⁻¹·H of a step's ticket, k × D × n."""
    rows = weigh_rows(units, number, slice(None))
    design = np.concatenate((rows, rows * units.load_ratio[number], np.zeros_like(rows)), axis=1)
    return solve_lower(update.lower, design)


def _pass_ticket(design: Floats, update: Update, slope: Floats, curvature: Floats) -> tuple[Floats, Floats]:
    root = update.gain_root
    missing = update.scaled - np.einsum("kin,in->kn", root, slope)
    kept = np.eye(len(slope))[:, :, None] - np.einsum("kin,kjn->ijn", root, design)
    inner = _multiply(_multiply(kept.swapaxes(0, 1), curvature), kept)
    return (
        slope + np.einsum("kin,kn->in", design, missing),
        inner + np.einsum("kin,kjn->ijn", design, design),
    )


def _pass_reset(reset: Bools, slope: Floats, curvature: Floats) -> None:
    kept = np.concatenate((~reset, ~reset, np.ones_like(reset)))
    slope *= kept
    curvature *= kept[:, None] & kept[None]


def _pass_time(days: Floats, slope: Floats, curvature: Floats) -> None:
    _, span, drift = cut_blocks(len(slope) // 3)
    slope[drift] += days * slope[span]
    curvature[drift] += days * curvature[span]
    curvature[:, drift] += days * curvature[:, span]
