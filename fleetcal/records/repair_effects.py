"""What suspension work means for the weighing: by the policy in force, for the groups that it concerns."""

import difflib
from dataclasses import dataclass
from datetime import date
from typing import Self

from fleetcal.fleet.components import BY_NAME, default_effect
from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.policies import Effect, Work
from fleetcal.fleet.selectors import PolicyBook, VehicleShape
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Repair

MOST_MATCHES = 5


@dataclass(frozen=True, slots=True)
class RepairEffect:
    """*groups* are positions; *component* as the list spells it."""

    component: str
    work: str
    effect: Effect
    groups: tuple[int, ...]
    version: PolicyVersion

    @classmethod
    def of(cls, repair: Repair) -> Self:
        """The effect that was recorded with *repair*."""
        return cls(
            repair.component, repair.work, Effect(repair.effect), tuple(repair.groups), repair.policy_version
        )

    @property
    def meaning(self) -> str:
        """What it means, in words for whoever did the work."""
        concerned = _name_groups(self.groups)
        if self.effect == Effect.NONE:
            return "This work changes nothing for the weighing."
        if self.effect == Effect.CHECK:
            days = self.version.repair_check_days
            return f"A comparison check is due within {days} days, because of {concerned}."
        if self.effect == Effect.RECALIBRATE_GROUP:
            return f"Do not rely on the display for {concerned} and for the gross until a calibration after this work is accepted."
        return (
            "Do not rely on the display until a calibration of the whole vehicle after this work is accepted."
        )


def preview_effect(
    shape: VehicleShape, component: str, work: str, axle: int | None, day: date, policies: PolicyBook
) -> RepairEffect:
    """What *work* on *component* at *axle* means on *day*. `Refused` for words that the list does not hold, naming the close ones."""
    name = known_component(component)
    if work not in Work.values:
        raise Refused(f"“{work}” is not a kind of work; use one of {', '.join(Work.values)}.", field="work")
    version = policies.version_for(shape, day)
    if version is None:
        raise Refused(
            f"No policy was in force for {shape.registration} on {day}: record one that reaches back to that day.",
            field="happened_at",
        )
    effect = next(
        (
            Effect(rule.effect)
            for rule in version.repair_rules.all()
            if rule.component == name and rule.work == work
        ),
        default_effect(name, work),
    )
    return RepairEffect(name, work, effect, _concerned(shape, name, axle, effect), version)


def known_component(text: str) -> str:
    by_folded = {name.casefold(): name for name in BY_NAME}
    folded = " ".join(text.casefold().split())
    if folded in by_folded:
        return by_folded[folded]
    close = [by_folded[each] for each in difflib.get_close_matches(folded, by_folded, MOST_MATCHES, 0.5)]
    hint = f"did you mean {' or '.join(close)}?" if close else f"use one of {', '.join(BY_NAME)}."
    raise Refused(f"“{text}” is not a component on the list: {hint}", field="component")


def _concerned(shape: VehicleShape, component: str, axle: int | None, effect: Effect) -> tuple[int, ...]:
    everything = tuple(group.position for group in shape.groups)
    if axle is not None and axle not in {each.number for each in shape.axles}:
        raise Refused(f"{shape.registration} has no axle {axle}, only 1 to {len(shape.axles)}.", field="axle")
    if effect == Effect.RECALIBRATE_VEHICLE:
        return everything
    if axle is not None:
        return (shape.group_of_axle(axle).position,)
    if effect == Effect.RECALIBRATE_GROUP and len(everything) > 1:
        raise Refused(f"Say on which axle the work on the {component} was done.", field="axle")
    return () if effect == Effect.NONE else everything


def _name_groups(groups: tuple[int, ...]) -> str:
    if len(groups) == 1:
        return f"axle group {groups[0]}"
    return f"axle groups {', '.join(map(str, groups[:-1]))} and {groups[-1]}"
