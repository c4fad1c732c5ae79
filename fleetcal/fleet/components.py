"""The parts that suspension work is done on, and what that work means unless a policy says otherwise (common practice, no source)."""

from dataclasses import dataclass

from fleetcal.fleet.models.policies import Effect, Work

NONE, CHECK, GROUP, VEHICLE = Effect.NONE, Effect.CHECK, Effect.RECALIBRATE_GROUP, Effect.RECALIBRATE_VEHICLE


@dataclass(frozen=True, slots=True)
class Component:
    """A part, where it sits, and the default effect of replacing and of adjusting it."""

    name: str
    found_on: str
    replaced: Effect
    adjusted: Effect


COMPONENTS = (
    *(
        Component(name, "steel suspension", GROUP, CHECK)
        for name in ("leaf spring", "spring pack", "hanger", "spring seat", "saddle", "equaliser")
    ),
    *(Component(name, "steel suspension", CHECK, CHECK) for name in ("U-bolts", "shackle", "pin", "bushing")),
    *(
        Component(name, "air suspension", GROUP, GROUP)
        for name in ("air spring", "levelling valve", "linkage", "air line")
    ),
    *(Component(name, "rubber suspension", GROUP, CHECK) for name in ("rubber spring", "rubber block")),
    *(Component(name, "axle", VEHICLE, CHECK) for name in ("axle", "axle seat", "beam")),
    *(
        Component(name, "axle", CHECK, NONE)
        for name in ("torque rod", "radius arm", "track rod", "anti-roll bar")
    ),
    *(
        Component(name, "axle", NONE, NONE)
        for name in ("shock absorber", "brake", "wheel bearing", "tyre of the same size")
    ),
    *(
        Component(name, "vehicle", VEHICLE, VEHICLE)
        for name in ("tyre or wheel of another size", "body position", "fifth-wheel position", "lift axle")
    ),
    Component("sensor", "weighing system", GROUP, GROUP),
    Component("sensor bond", "weighing system", GROUP, GROUP),
    Component("junction unit", "weighing system", CHECK, CHECK),
    Component("cable", "weighing system", CHECK, CHECK),
    Component("display", "weighing system", VEHICLE, CHECK),
)
BY_NAME = {component.name: component for component in COMPONENTS}

# What a workshop writes for the second column of the table.
WORK_WORDS = {
    "replaced": Work.REPLACED,
    "renewed": Work.REPLACED,
    "adjusted": Work.ADJUSTED,
    "retightened": Work.ADJUSTED,
    "repaired": Work.ADJUSTED,
    "restored": Work.ADJUSTED,
}


def default_effect(component: str, work: str) -> Effect:
    """What *work* on *component* means by default; `KeyError` for a component that the list does not hold."""
    found = BY_NAME[component]
    return found.replaced if work == Work.REPLACED else found.adjusted
