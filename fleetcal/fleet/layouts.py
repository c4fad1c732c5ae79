"""Whether a vehicle's axles, groups and rating plate can be: no database, numbers in every refusal."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from fleetcal.ledger.refusals import Refused

# Bounds against slips of the pen (common practice, no source).
MOST_AXLES = 12
SPACING_MM = (300, 20_000)


@dataclass(frozen=True, slots=True)
class Layout:
    """Axles from the front: their maxima, the distance to the axle in front for each but the first, and how they are grouped.

    `groups` holds axle numbers and `suspension` one word per group; `group_max_kg` is empty where each group's maximum is the sum of
    its axles' maxima.
    """

    axle_max_kg: tuple[Decimal, ...]
    spacing_mm: tuple[int, ...]
    groups: tuple[tuple[int, ...], ...]
    suspension: tuple[str, ...]
    group_max_kg: tuple[Decimal, ...] = ()
    lift_axles: tuple[int, ...] = ()
    steered_axles: tuple[int, ...] = ()
    driven_axles: tuple[int, ...] = ()
    twin_tyred_axles: tuple[int, ...] = ()

    @property
    def axle_count(self) -> int:
        return len(self.axle_max_kg)

    def group_of(self, axle: int) -> int:
        """The position of the group, counted from one."""
        return next(place for place, axles in enumerate(self.groups, start=1) if axle in axles)

    def sum_of_group_kg(self, position: int) -> Decimal:
        return sum((self.axle_max_kg[axle - 1] for axle in self.groups[position - 1]), Decimal(0))

    def max_of_group_kg(self, position: int) -> Decimal:
        return self.group_max_kg[position - 1] if self.group_max_kg else self.sum_of_group_kg(position)


def check_layout(layout: Layout, max_gross_kg: Decimal) -> None:
    count = layout.axle_count
    if not 1 <= count <= MOST_AXLES:
        raise Refused(f"{count} axles given: a vehicle has 1 to {MOST_AXLES}.", field="axle_max_kg")
    _check_masses(layout, max_gross_kg)
    _check_spacing(layout)
    _check_groups(layout)
    for name in ("lift_axles", "steered_axles", "driven_axles", "twin_tyred_axles"):
        _check_named_axles(name, getattr(layout, name), count)
    # A trailer's first axle may well lift; a vehicle's own front axle steers.
    if 1 in layout.lift_axles and 1 in layout.steered_axles:
        raise Refused("Axle 1 cannot be a lift axle: it is the steered one in front.", field="lift_axles")


def _check_masses(layout: Layout, max_gross_kg: Decimal) -> None:
    for number, max_kg in enumerate(layout.axle_max_kg, start=1):
        if not max_kg.is_finite() or max_kg <= 0:
            raise Refused(f"Maximum of axle {number}: {max_kg} kg is not above zero.", field="axle_max_kg")
    if not max_gross_kg.is_finite() or max_gross_kg <= 0:
        raise Refused(f"Maximum gross weight: {max_gross_kg} kg is not above zero.", field="max_gross_kg")
    total_kg = sum(layout.axle_max_kg, Decimal(0))
    if max_gross_kg > total_kg:
        raise Refused(
            f"The maximum gross weight of {max_gross_kg:f} kg is above the sum of the axles' maxima, {total_kg:f} kg. "
            "Read the rating plate again.",
            field="max_gross_kg",
        )


def _check_spacing(layout: Layout) -> None:
    wanted, given = layout.axle_count - 1, len(layout.spacing_mm)
    if given != wanted:
        raise Refused(
            f"{given} distances given for {layout.axle_count} axles: {wanted} are needed.", field="spacing_mm"
        )
    least, most = SPACING_MM
    for number, spacing_mm in enumerate(layout.spacing_mm, start=2):
        if not least <= spacing_mm <= most:
            raise Refused(
                f"Distance of axle {number} to the one in front: {spacing_mm} mm is not between {least} and {most} mm.",
                field="spacing_mm",
            )


def _check_groups(layout: Layout) -> None:
    covered = [axle for group in layout.groups for axle in group]
    if covered != list(range(1, layout.axle_count + 1)):
        text = ";".join("+".join(map(str, group)) for group in layout.groups)
        raise Refused(
            f"Groups {text or 'none'}: each of the {layout.axle_count} axles must stand in one group, counted from the front "
            "without a gap.",
            field="groups",
        )
    if len(layout.suspension) != len(layout.groups):
        raise Refused(
            f"{len(layout.suspension)} suspension types given for {len(layout.groups)} groups: one for each is needed.",
            field="suspension",
        )
    if layout.group_max_kg and len(layout.group_max_kg) != len(layout.groups):
        raise Refused(
            f"{len(layout.group_max_kg)} maxima given for {len(layout.groups)} groups: one for each is needed.",
            field="group_max_kg",
        )
    for position in range(1, len(layout.groups) + 1):
        max_kg, sum_kg = layout.max_of_group_kg(position), layout.sum_of_group_kg(position)
        if not 0 < max_kg <= sum_kg:
            raise Refused(
                f"Maximum of group {position}: {max_kg:f} kg must be above zero and not above the sum of its axles' maxima, "
                f"{sum_kg:f} kg.",
                field="group_max_kg",
            )


def _check_named_axles(name: str, axles: Sequence[int], count: int) -> None:
    for axle in axles:
        if not 1 <= axle <= count:
            raise Refused(
                f"{name.replace('_', ' ').capitalize()}: the vehicle has no axle {axle}, only 1 to {count}.",
                field=name,
            )
