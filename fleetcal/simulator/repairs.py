"""The suspension repair log: which work is done on which suspension, and the line that a workshop writes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

import numpy as np

from fleetcal.simulator.vehicles import Vehicle


class Consequence(StrEnum):
    """What a careful fleet does about the weighing after the work."""

    RECALIBRATE = "recalibrate"
    CHECK = "check"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Work:
    component: str
    work: str
    consequence: Consequence
    parts: str = ""


@dataclass(frozen=True, slots=True)
class RepairRow:
    """A line of repairs.csv; the fields are its columns. The defect was reported no later than the work."""

    reported_on: date
    done_at: datetime
    plate: str
    workshop: str
    axle: int
    component: str
    work: str
    parts: str
    odometer_km: int | None
    remark: str


_RECALIBRATE, _CHECK, _NONE = Consequence.RECALIBRATE, Consequence.CHECK, Consequence.NONE

# Which work calls for what is common practice, no source.
_STEEL = (
    Work("leaf spring", "replaced", _RECALIBRATE, "1 leaf"),
    Work("spring pack", "replaced", _RECALIBRATE, "1 pack"),
    Work("hanger", "replaced", _RECALIBRATE, "1 hanger, bolts"),
    Work("spring seat", "repaired", _CHECK),
    Work("U-bolts", "retightened", _CHECK),
    Work("U-bolts", "replaced", _CHECK, "4 U-bolts, nuts"),
    Work("shackle", "replaced", _CHECK, "1 shackle"),
    Work("bushing", "replaced", _CHECK, "2 bushings"),
)
_AIR = (
    Work("air spring", "replaced", _RECALIBRATE, "1 bellows"),
    Work("levelling valve", "replaced", _RECALIBRATE, "1 valve"),
    Work("levelling valve", "adjusted", _RECALIBRATE),
    Work("linkage", "adjusted", _RECALIBRATE),
    Work("air line", "replaced", _RECALIBRATE, "2 m line, fittings"),
)
_RUBBER = (
    Work("rubber spring", "replaced", _RECALIBRATE, "1 spring"),
    Work("rubber block", "replaced", _RECALIBRATE, "2 blocks"),
    Work("rubber block", "adjusted", _CHECK),
)
_ANY = (
    Work("torque rod", "replaced", _CHECK, "1 rod"),
    Work("axle seat", "repaired", _CHECK),
    Work("sensor", "replaced", _RECALIBRATE, "1 sensor"),
)
_DISTURBING = {
    "steel": (*_STEEL, *_ANY),
    "air": (*_AIR, *_ANY),
    "rubber": (*_RUBBER, *_ANY),
    "mixed": (*_AIR, *_STEEL, *_ANY),
}
_HARMLESS = (
    Work("shock absorber", "replaced", _NONE, "2 absorbers"),
    Work("brake", "adjusted", _NONE),
    Work("brake", "replaced", _NONE, "1 set of pads"),
    Work("wheel bearing", "adjusted", _NONE),
    Work("tyre of the same size", "replaced", _NONE, "1 tyre"),
    Work("track rod", "adjusted", _NONE),
    Work("anti-roll bar", "retightened", _NONE),
    Work("cable", "repaired", _CHECK),
)
_REMARKS = (
    "",
    "",
    "",
    "noticed at the weekly walk-round",
    "driver reported leaning",
    "found at the brake test",
)


def choose_disturbing_work(suspension: str, rng: np.random.Generator) -> Work:
    """Work that may move the display's error."""
    works = _DISTURBING[suspension]
    return works[int(rng.integers(len(works)))]


def choose_harmless_work(rng: np.random.Generator) -> Work:
    return _HARMLESS[int(rng.integers(len(_HARMLESS)))]


def replace_spring(suspension: str) -> Work:
    """The first work of the suspension's table: its spring replaced."""
    return _DISTURBING[suspension][0]


def log_repair(
    vehicle: Vehicle,
    work: Work,
    axle: int,
    done_at: datetime,
    *,
    workshop: str,
    epoch: date,
    rng: np.random.Generator,
) -> RepairRow:
    """The workshop's line; trailers have no odometer."""
    driven_km = int((done_at.date() - max(vehicle.in_service_on, epoch)).days * vehicle.km_per_day)
    has_odometer = vehicle.layout.kind != "trailer"
    return RepairRow(
        reported_on=max(done_at.date() - timedelta(days=int(rng.integers(0, 4))), vehicle.in_service_on),
        done_at=done_at,
        plate=vehicle.registration,
        workshop=workshop,
        axle=axle,
        component=work.component,
        work=work.work,
        parts=work.parts,
        odometer_km=vehicle.odometer_start_km + max(driven_km, 0) if has_odometer else None,
        remark=_REMARKS[int(rng.integers(len(_REMARKS)))],
    )
