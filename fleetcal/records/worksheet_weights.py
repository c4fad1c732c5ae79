"""From the readings of a worksheet to the weights that a display takes: per axle, or per axle group where it is set so. Pure; kg."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from uuid import UUID

import numpy as np

from fleetcal.fleet.instrument_book import CertificateTerms, InstrumentTerms, Validity
from fleetcal.fleet.models.instruments import ScaleClass
from fleetcal.fleet.models.systems import WeighingMode
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.metrology.axle_weights import (
    AxleWeights,
    GrossAgreement,
    Reading,
    compare_with_gross,
    solve,
)
from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.least_squares import Unresolvable, UnusableReadings
from fleetcal.metrology.scale_classes import u_from_certificate, u_from_class
from fleetcal.records.models.calibrations import Method
from fleetcal.records.worksheet import SheetReading

# Assumption, no source: one reading of a reference instrument repeats itself to half a division.
REPEATABILITY_DIVISIONS = 0.5


@dataclass(frozen=True, slots=True)
class Setting:
    """What the display takes one tare and one span for: an axle, or the axles of a group."""

    key: str
    group: int
    axles: tuple[int, ...]
    maximum_kg: float


@dataclass(frozen=True, slots=True)
class ReferenceUsed:
    """An instrument as it counted on the day."""

    terms: InstrumentTerms
    validity: Validity


@dataclass(frozen=True, slots=True)
class Weighing:
    """One state, weighed. *weights* are by setting, *parts* by the finest sets of axles that the readings tell apart.

    Without *weights*, *problem* says what is missing, and *unresolved* names the axles. *draft_gross_kg* is the gross in one draft.
    """

    weights: AxleWeights | None = None
    parts: AxleWeights | None = None
    part_axles: Mapping[str, tuple[int, ...]] | None = None
    agreement: GrossAgreement | None = None
    draft_gross_kg: float | None = None
    unresolved: tuple[int, ...] = ()
    problem: str = ""


def axle_key(number: int) -> str:
    return f"axle {number}"


def group_key(position: int) -> str:
    return f"group {position}"


def list_settings(
    shape: VehicleShape, mode: str, covers_groups: Sequence[int], lift_axles_up: Sequence[int]
) -> tuple[Setting, ...]:
    """The settings to be made, from the front. A lifted axle carries nothing and is not set; it lowers its group's maximum."""
    maxima = {axle.number: axle.max_kg for axle in shape.axles}
    settings = []
    for group in shape.groups:
        down = tuple(number for number in group.axles if number not in lift_axles_up)
        if not down or (covers_groups and group.position not in covers_groups):
            continue
        if mode == WeighingMode.GROUP:
            maximum = group.max_kg if down == group.axles else min(group.max_kg, sum(maxima[n] for n in down))
            settings.append(Setting(group_key(group.position), group.position, down, maximum))
            continue
        settings += [Setting(axle_key(n), group.position, (n,), maxima[n]) for n in down]
    return tuple(settings)


def weigh(
    readings: Sequence[SheetReading],
    instruments: Mapping[UUID, ReferenceUsed],
    settings: Sequence[Setting],
    standing: Sequence[int],
    day: date,
) -> Weighing:
    """Solve one state for *settings*; *standing* are all the axles that carry load, calibrated or not.

    Axles that always stood together are one unknown, so that what no reading separates does not have to be separated; a setting is
    resolved when it is a sum of such parts.
    """
    if not readings:
        return Weighing(unresolved=tuple(standing), problem="No reading yet.")
    parts = _find_parts(readings, standing)
    keys = {_part_key(axles): axles for axles in parts}
    try:
        rows = _make_rows(readings, instruments, keys, day)
        agreement = compare_with_gross(rows, list(keys))
        draft = _gross_in_one_draft(readings, standing)
        unresolved = _unresolved(readings, settings, parts)
        if unresolved:
            return Weighing(
                agreement=agreement, draft_gross_kg=draft, unresolved=unresolved, problem=_ask_for(unresolved)
            )
        used = {
            key: axles for key, axles in keys.items() if any(set(axles) <= set(r.axles) for r in readings)
        }
        solved = solve(rows, list(used))
    except Unresolvable as error:
        axles = tuple(sorted(n for key in error.keys for n in keys[key]))
        return Weighing(
            draft_gross_kg=_gross_in_one_draft(readings, standing), unresolved=axles, problem=_ask_for(axles)
        )
    except (UnusableReadings, RefusedError) as error:
        return Weighing(unresolved=tuple(standing), problem=f"The readings cannot be used: {error}.")
    return Weighing(regroup(solved, settings, used), solved, used, agreement, draft)


def _ask_for(axles: tuple[int, ...]) -> str:
    names = ", ".join(map(str, axles))
    return f"The readings do not tell the weight of axle {names} yet: take a reading that separates it from the others."


def _gross_in_one_draft(readings: Sequence[SheetReading], standing: Sequence[int]) -> float | None:
    drafts = [float(r.value_kg) for r in readings if set(r.axles) == set(standing)]
    return math.fsum(drafts) / len(drafts) if drafts else None


def _find_parts(readings: Iterable[SheetReading], standing: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """The axles, put together where every reading covers all or none of them."""
    seen: dict[tuple[bool, ...], list[int]] = {}
    sets = [set(reading.axles) for reading in readings]
    for number in standing:
        seen.setdefault(tuple(number in axles for axles in sets), []).append(number)
    return tuple(tuple(numbers) for numbers in seen.values())


def _unresolved(
    readings: Sequence[SheetReading], settings: Sequence[Setting], parts: Sequence[tuple[int, ...]]
) -> tuple[int, ...]:
    """Axles of settings that no reading covers, or that always stood together with an axle of another setting."""
    covered = {number for reading in readings for number in reading.axles}
    missing = set()
    for setting in settings:
        own = set(setting.axles)
        mixed = [set(part) for part in parts if own & set(part) and not set(part) <= own]
        missing |= own - covered
        missing |= {number for part in mixed for number in part & own}
    return tuple(sorted(missing))


def _part_key(axles: tuple[int, ...]) -> str:
    return axle_key(axles[0]) if len(axles) == 1 else f"axles {'+'.join(map(str, axles))}"


def _make_rows(
    readings: Sequence[SheetReading],
    instruments: Mapping[UUID, ReferenceUsed],
    keys: Mapping[str, tuple[int, ...]],
    day: date,
) -> list[Reading]:
    """Readings with u_shared, the instrument's own error in proportion to the load, and u_own.

    The gain of u_shared is the largest that no reading's own permissible error (or certificate) contradicts: min u(z)/z. What that
    leaves of u(z) belongs to the reading alone, with its rounding and repeatability.
    """
    u_reference = [_u_reference_kg(reading, instruments[reading.instrument_id], day) for reading in readings]
    gains: dict[UUID, float] = {}
    for reading, u in zip(readings, u_reference, strict=True):
        gain = u / float(reading.value_kg)
        gains[reading.instrument_id] = min(gain, gains.get(reading.instrument_id, gain))
    rows = []
    for reading, u in zip(readings, u_reference, strict=True):
        shared_kg = gains[reading.instrument_id] * float(reading.value_kg)
        own_kg = u_own_kg(reading, instruments[reading.instrument_id].terms.d_kg)
        rows.append(
            Reading(
                label=reading.label,
                value_kg=float(reading.value_kg),
                covers=frozenset(key for key, axles in keys.items() if set(axles) <= set(reading.axles)),
                u_own_kg=math.hypot(own_kg, math.sqrt(max(u**2 - shared_kg**2, 0.0))),
                instrument=str(reading.instrument_id),
                u_shared_kg=shared_kg,
            )
        )
    return rows


def u_own_kg(reading: SheetReading, d_kg: float) -> float:
    """Rounding d/√12 and repeatability of one reading; a pair of pads is two readings added."""
    one = d_kg * math.sqrt(1.0 / 12.0 + REPEATABILITY_DIVISIONS**2)
    return one * math.sqrt(2.0) if reading.method == Method.PADS else one


def _u_reference_kg(reading: SheetReading, used: ReferenceUsed, day: date) -> float:
    """The instrument's own standard uncertainty at this load; two pads are two instruments."""
    if reading.left_kg is None or reading.right_kg is None:
        return _u_at(used, float(reading.value_kg), day)
    return math.hypot(_u_at(used, float(reading.left_kg), day), _u_at(used, float(reading.right_kg), day))


def _u_at(used: ReferenceUsed, load_kg: float, day: date) -> float:
    """From the certificate in force (or the newest before) as far as it goes, else from the class."""
    terms, certificate = used.terms, used.validity.certificate or _newest_before(used.terms, day)
    if certificate and certificate.points and load_kg <= certificate.points[-1][0]:
        return u_from_certificate(certificate.points, certificate.k, load_kg)
    if terms.scale_class == ScaleClass.CERTIFICATE:
        reach = (
            f"to {certificate.points[-1][0]:g} kg" if certificate and certificate.points else "for no load"
        )
        raise RefusedError(
            f"{terms.name}, certificate speaks {reach}; load", load_kg, "a load within it", "kg"
        )
    return u_from_class(terms.scale_class, terms.e_kg, load_kg)


def _newest_before(terms: InstrumentTerms, day: date) -> CertificateTerms | None:
    return next((each for each in terms.certificates if each.verified_on <= day), None)


def regroup(
    solved: AxleWeights, settings: Sequence[Setting], parts: Mapping[str, tuple[int, ...]]
) -> AxleWeights:
    """The same weighing with one weight per setting: W = A w, Cov(W) = A C Aᵀ, shared parts likewise. Consistency is untouched."""
    a = np.array([[float(set(parts[key]) <= set(s.axles)) for key in solved.keys] for s in settings])
    covariance = a @ np.array(solved.covariance) @ a.T
    return replace(
        solved,
        keys=tuple(setting.key for setting in settings),
        weights_kg=tuple((a @ np.array(solved.weights_kg)).tolist()),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        shared_kg=tuple((name, tuple((a @ np.array(g)).tolist())) for name, g in solved.shared_kg),
    )
