"""What a reference instrument's readings are worth: each with the part of its error that all of them share. Masses in kg."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fleetcal.metrology.axle_weights import SMALLEST_U_KG, Reading, SumEstimates
from fleetcal.metrology.budget import NORMAL, RECTANGULAR, ROOT_3, Component
from fleetcal.metrology.indication import Reference, refer_to_certificate, refer_to_class
from fleetcal.metrology.scale_classes import permissible_error_kg, u_from_certificate, u_from_class

PADS = "pads"
ROOT_12 = math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class ReferenceTerms:
    """*points* are (load_kg, U_kg) of the certificate in force, empty where the class speaks for the instrument."""

    key: str
    kind: str
    scale_class: str
    e_kg: float
    d_kg: float
    points: tuple[tuple[float, float], ...] = ()
    k: float = 2.0

    @property
    def pads(self) -> int:
        """How many instruments bear the load. Class and certificate speak for one of them."""
        return 2 if self.kind == PADS else 1

    def is_certified_at(self, load_kg: float) -> bool:
        return bool(self.points) and load_kg / self.pads <= self.points[-1][0]

    @property
    def rounding_kg(self) -> float:
        """Standard uncertainty of the rounding of one reading; a pair of pads is two readings added, √2 · d/√12."""
        return self.d_kg / ROOT_12 * (math.sqrt(2.0) if self.kind == PADS else 1.0)


def refer_directly(instrument: ReferenceTerms, value_kg: float) -> Reference:
    """One reading as a reference: the permissible error in service over √3, which holds its rounding; or the certificate."""
    if instrument.is_certified_at(value_kg):
        if instrument.kind != PADS:
            return refer_to_certificate(value_kg, instrument.points, instrument.k, instrument.d_kg)
        return Reference(
            value_kg,
            (
                Component("reference, certificate of two pads", NORMAL, _u_kg(instrument, value_kg), 1.0),
                Component("reference, rounding of two pads", NORMAL, instrument.rounding_kg, 1.0),
            ),
        )
    if instrument.kind != PADS:
        return refer_to_class(value_kg, instrument.scale_class, instrument.e_kg)
    half_width_kg = 2.0 * permissible_error_kg(instrument.scale_class, instrument.e_kg, value_kg / 2.0)
    source = f"reference, two pads of class {instrument.scale_class}, e = {instrument.e_kg:g} kg, permissible error"
    return Reference(value_kg, (Component(source, RECTANGULAR, half_width_kg, ROOT_3),))


def weigh(instrument: ReferenceTerms, values: Sequence[tuple[float, frozenset[str]]]) -> tuple[Reading, ...]:
    """Several readings of one instrument with what each covers, in the shape that `axle_weights` takes.

    The common error is taken as proportional to the load, s(z) = g·z, with the largest g that no reading's own uncertainty u(z)
    contradicts: g = min u(z)/z. What is left, √(u(z)² − s(z)²) but never less than the rounding, belongs to the reading alone.
    So one reading keeps u(z), a sum does not average the common error out, and a difference keeps the rounding of both.
    """
    total = [_u_kg(instrument, value_kg) for value_kg, _ in values]
    gain = min(
        (u / value_kg for u, (value_kg, _) in zip(total, values, strict=True) if value_kg > 0), default=0
    )
    readings = []
    for number, (u, (value_kg, covers)) in enumerate(zip(total, values, strict=True), 1):
        shared_kg = gain * value_kg
        own_kg = math.sqrt(max(u**2 - shared_kg**2, 0.0))
        if instrument.is_certified_at(value_kg):
            own_kg = math.hypot(own_kg, instrument.rounding_kg)
        readings.append(
            Reading(
                label=f"reading {number}",
                value_kg=value_kg,
                covers=covers,
                u_own_kg=max(own_kg, instrument.rounding_kg, SMALLEST_U_KG),
                instrument=instrument.key,
                u_shared_kg=shared_kg,
            )
        )
    return tuple(readings)


def refer_to_estimate(estimates: SumEstimates, index: int) -> Reference | None:
    """The sum at *index* as a reference, the common error as its first component; None where it is not separable."""
    found = estimates[index]
    if found is None:
        return None
    shared_kg = abs(sum(row[index] or 0.0 for _, row in estimates.shared_kg))
    own_kg = math.sqrt(max(found.u_kg**2 - shared_kg**2, 0.0))
    return Reference(
        found.value_kg,
        (
            Component("reference, error common to the instrument's readings", NORMAL, shared_kg, 1.0),
            Component("reference, rounding and own error of each reading", NORMAL, own_kg, 1.0),
        ),
    )


def _u_kg(instrument: ReferenceTerms, value_kg: float) -> float:
    if instrument.is_certified_at(value_kg):
        # The pads' errors are taken as one, the cautious way: what each of them bore is not on the ticket.
        return instrument.pads * u_from_certificate(
            instrument.points, instrument.k, value_kg / instrument.pads
        )
    if instrument.kind == PADS:
        return 2.0 * u_from_class(instrument.scale_class, instrument.e_kg, value_kg / 2.0)
    return u_from_class(instrument.scale_class, instrument.e_kg, value_kg)
