"""Whether a vehicle's weighing system is ready to be calibrated: its installation record against its policy."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils import timezone

from fleetcal.fleet.models import PolicyVersion, Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.selectors import PolicyBook, VehicleShape, shape_of
from fleetcal.records.installation_items import Fitting, ItemState, list_items
from fleetcal.records.models import Installation, Repair, SensorBond
from fleetcal.records.models.installations import InstallationItem


@dataclass(frozen=True, slots=True)
class Readiness:
    """*problem* is set, and there are no items, where no system or no installation is on record."""

    system: WeighingSystem | None
    installation: Installation | None
    policy: PolicyVersion | None
    items: tuple[ItemState, ...] = ()
    problem: str = ""

    def state_of(self, item: InstallationItem) -> bool | None:
        """Settled, open or nothing to settle; open where there is no record at all."""
        return next((state.settled for state in self.items if state.item == item), False)

    def is_required(self, item: InstallationItem) -> bool:
        return self.policy is not None and item.value in self.policy.required_items

    @property
    def open(self) -> tuple[ItemState, ...]:
        return tuple(state for state in self.items if state.is_open)

    @property
    def blocking(self) -> tuple[ItemState, ...]:
        """The open items that the policy waits for."""
        return tuple(state for state in self.open if self.is_required(state.item))

    @property
    def only_waits_for_cure(self) -> bool:
        return not self.problem and [state.item for state in self.blocking] == [InstallationItem.CURED]

    @property
    def is_complete(self) -> bool:
        """Nothing but the cure of the bond is open, which is a rule of its own."""
        return not self.problem and all(state.item == InstallationItem.CURED for state in self.blocking)


class InstallationBook:
    """Systems, sensors and standing installations of some vehicles, read once."""

    def __init__(self, vehicle_ids: Iterable[UUID]) -> None:
        ids = list(vehicle_ids)
        self._systems: dict[UUID, list[WeighingSystem]] = defaultdict(list)
        for system in WeighingSystem.objects.filter(vehicle__in=ids).order_by("fitted_on"):
            self._systems[system.vehicle_id].append(system)
        self._sensors: dict[UUID, list[Sensor]] = defaultdict(list)
        sensors = Sensor.objects.filter(system__vehicle__in=ids).select_related("axle").order_by("channel")
        for sensor in sensors:
            self._sensors[sensor.system_id].append(sensor)
        self._installations: dict[UUID, list[Installation]] = defaultdict(list)
        for row in (
            Installation.objects.standing().filter(vehicle__in=ids).order_by("happened_at", "recorded_at")
        ):
            self._installations[row.system_id].append(row)
        self._bonds: dict[UUID, dict[UUID, SensorBond]] = defaultdict(dict)
        for bond in SensorBond.objects.filter(installation__vehicle__in=ids):
            self._bonds[bond.installation_id][bond.sensor_id] = bond
        self._rebonded: dict[UUID, list[datetime]] = defaultdict(list)
        for repair in Repair.objects.standing().filter(vehicle__in=ids, bonded_at__isnull=False):
            if repair.bonded_at:
                self._rebonded[repair.vehicle_id].append(repair.bonded_at)

    def system_on(self, vehicle_id: UUID, day: date) -> WeighingSystem | None:
        """The system that was fitted on *day*."""
        for system in reversed(self._systems.get(vehicle_id, [])):
            if system.fitted_on <= day and (system.removed_on is None or day <= system.removed_on):
                return system
        return None

    def readiness(
        self,
        shape: VehicleShape,
        at: datetime,
        policy: PolicyVersion | None,
        zone: tzinfo | None = None,
        unit: str = "kg",
    ) -> Readiness:
        """How far the installation of *shape*'s system was settled at the moment *at*; days are those of *zone* (the active one)."""
        day = timezone.localdate(at, zone)
        system = self.system_on(shape.id, day)
        if system is None:
            return Readiness(
                None, None, policy, problem="No weighing system is on record: enter the display first."
            )
        earlier = [row for row in self._installations.get(system.pk, []) if row.happened_at <= at]
        if not earlier:
            problem = "No installation is on record for this display: record it first."
            return Readiness(system, None, policy, problem=problem)
        if policy is None:
            return Readiness(system, earlier[-1], None, problem="No policy is in force for this vehicle.")
        return Readiness(
            system,
            earlier[-1],
            policy,
            list_items(self._fitting(shape, system, earlier[-1], at, policy, day), at, unit),
        )

    def _fitting(
        self,
        shape: VehicleShape,
        system: WeighingSystem,
        row: Installation,
        at: datetime,
        policy: PolicyVersion,
        day: date,
    ) -> Fitting:
        sensors = tuple(
            sensor
            for sensor in self._sensors.get(system.pk, [])
            if sensor.fitted_on <= day and (sensor.removed_on is None or sensor.removed_on > day)
        )
        rebonded = tuple(moment for moment in self._rebonded.get(shape.id, []) if moment <= at)
        return Fitting(shape, system, sensors, row, self._bonds.get(row.pk, {}), policy, rebonded)


def readiness_of(vehicle: Vehicle, at: datetime, unit: str = "kg") -> Readiness:
    """The readiness of one vehicle's current system at the moment *at*, by the policy of that day at its depot."""
    shape, zone = shape_of(vehicle), ZoneInfo(vehicle.depot.time_zone)
    policy = PolicyBook().version_for(shape, timezone.localdate(at, zone))
    return InstallationBook([vehicle.pk]).readiness(shape, at, policy, zone, unit)


def open_items(vehicle: Vehicle, at: datetime) -> tuple[ItemState, ...]:
    """What the latest standing installation of the current system leaves open."""
    return readiness_of(vehicle, at).open


def items_of(installation: Installation, at: datetime, unit: str = "kg") -> tuple[ItemState, ...]:
    """Every item of one installation record at the moment *at*, by the policy of the day on which it was done.

    It speaks of the sensors that it describes, whether or not they were replaced since.
    """
    shape = shape_of(installation.vehicle)
    zone = ZoneInfo(installation.vehicle.depot.time_zone)
    policy = PolicyBook().version_for(shape, timezone.localdate(installation.happened_at, zone))
    if policy is None:
        return ()
    bonds = list(installation.bonds.select_related("sensor__axle").order_by("sensor__channel"))
    sensors = tuple(bond.sensor for bond in bonds)
    by_sensor = {bond.sensor_id: bond for bond in bonds}
    return list_items(Fitting(shape, installation.system, sensors, installation, by_sensor, policy), at, unit)
