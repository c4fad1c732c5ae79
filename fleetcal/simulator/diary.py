"""One vehicle's diary while it is simulated: errands ahead of it, records behind it, and its truth so far."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta

import numpy as np

from fleetcal.simulator.repairs import RepairRow, Work
from fleetcal.simulator.scenario import Scenario
from fleetcal.simulator.stories import Story
from fleetcal.simulator.tickets import Ticket
from fleetcal.simulator.truth import TrueHistory
from fleetcal.simulator.vehicles import Vehicle
from fleetcal.simulator.weighing import Reference
from fleetcal.simulator.worksheets import WorksheetRow


@dataclass(frozen=True, slots=True, order=True)
class Errand:
    day: float
    number: int
    kind: str = field(compare=False)
    insisted: bool = field(compare=False, default=False)
    group: int = field(compare=False, default=0)
    work: Work | None = field(compare=False, default=None)
    site: str = field(compare=False, default="")


@dataclass(slots=True)
class Diary:
    scenario: Scenario
    vehicle: Vehicle
    story: Story
    references: dict[str, Reference]
    history: TrueHistory
    truth_rng: np.random.Generator
    rng: np.random.Generator
    cares_until: float = float("inf")
    next_check_day: float = float("inf")
    calibration_pending: bool = False
    first_taught_day: float | None = None
    errands: list[Errand] = field(default_factory=list)
    errands_planned: int = 0
    worksheets: list[WorksheetRow] = field(default_factory=list)
    tickets: list[Ticket] = field(default_factory=list)
    repairs: list[RepairRow] = field(default_factory=list)

    @property
    def fitted_day(self) -> int:
        return (self.vehicle.fitted_on - self.scenario.epoch).days

    def moment(self, day: float) -> datetime:
        return datetime.combine(self.scenario.epoch, time()) + timedelta(minutes=round(day * 1440))

    def day_of(self, moment: datetime) -> float:
        return (moment - datetime.combine(self.scenario.epoch, time())) / timedelta(days=1)

    def before_end(self, days: float) -> float:
        """So many days before the end, but in a short simulation never before two fifths of it."""
        return self.scenario.horizon_days - min(days, 0.6 * self.scenario.horizon_days)

    def plan(
        self,
        kind: str,
        day: float,
        *,
        insisted: bool = False,
        group: int = 0,
        work: Work | None = None,
        site: str = "",
    ) -> None:
        """Put an errand on the list; `insisted` on, it is run even after the fleet stopped caring."""
        self.errands_planned += 1
        heapq.heappush(self.errands, Errand(day, self.errands_planned, kind, insisted, group, work, site))

    def working_hour(self, day: float) -> float:
        """An hour of that working day at which the yard is open."""
        return self.working_day(day) + int(self.rng.integers(8 * 60, 16 * 60)) / 1440.0

    def working_day(self, day: float) -> int:
        """That whole day, or the Monday after if it falls on a week-end.

        A calibration is planned on the whole day, so that it comes before the day's repairs and its own hours
        decide which of them it made good.
        """
        weekday = (self.scenario.epoch + timedelta(days=int(day))).weekday()
        return int(day) + (7 - weekday if weekday >= 5 else 0)
