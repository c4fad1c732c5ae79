"""What calibrations are judged against, read once for any number of vehicles."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import PolicyBook, VehicleShape, shapes_of
from fleetcal.ledger.refusals import Refused
from fleetcal.records.assessment import Basis
from fleetcal.records.readiness import InstallationBook, Readiness
from fleetcal.records.worksheet_weights import ReferenceUsed


class BasisBook:
    """Vehicles with their shapes, systems, installations, policies, and every reference instrument: no query after construction."""

    def __init__(self, vehicle_ids: Iterable[UUID]) -> None:
        ids = list(vehicle_ids)
        rows = Vehicle.objects.filter(pk__in=ids)
        self.vehicles: Mapping[UUID, Vehicle] = rows.select_related("depot").in_bulk()
        self.shapes: Mapping[UUID, VehicleShape] = shapes_of(rows)
        self.instruments = InstrumentBook()
        self._installations = InstallationBook(ids)
        self._policies = PolicyBook()

    def zone(self, vehicle_id: UUID) -> ZoneInfo:
        """Days are those of the vehicle's depot."""
        return ZoneInfo(self.vehicles[vehicle_id].depot.time_zone)

    def readiness(self, vehicle_id: UUID, at: datetime) -> Readiness:
        zone, shape = self.zone(vehicle_id), self.shapes[vehicle_id]
        policy = self._policies.version_for(shape, at.astimezone(zone).date())
        return self._installations.readiness(shape, at, policy, zone)

    def basis(self, vehicle_id: UUID, started_at: datetime) -> Basis:
        """`Refused` where no system was fitted, or no policy in force, when the calibration began."""
        if vehicle_id not in self.vehicles:
            raise Refused("There is no such vehicle.", field="vehicle")
        readiness = self.readiness(vehicle_id, started_at)
        if readiness.system is None:
            raise Refused(readiness.problem, field="vehicle")
        if readiness.policy is None:
            raise Refused(
                "No policy is in force for this vehicle on that day: add one first.", field="vehicle"
            )
        zone = self.zone(vehicle_id)
        day = started_at.astimezone(zone).date()
        return Basis(
            shape=self.shapes[vehicle_id],
            division_kg=readiness.system.division_kg,
            mode=readiness.system.mode,
            instruments={
                terms.id: ReferenceUsed(terms, self.instruments.validity(terms.id, day))
                for terms in self.instruments.instruments()
            },
            policy=readiness.policy,
            readiness=readiness,
            started_at=started_at,
            zone=zone,
        )
