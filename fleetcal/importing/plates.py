"""Finding vehicles by the plates that files carry, among those that a person may see."""

import difflib
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from fleetcal.accounts.models import User
from fleetcal.fleet.days import day_text
from fleetcal.fleet.models import Depot, Instrument
from fleetcal.fleet.models.vehicles import plate_key
from fleetcal.fleet.selectors import VehicleShape, shapes_of, vehicles_for
from fleetcal.importing.cells import text_of
from fleetcal.importing.findings import RowProblem
from fleetcal.importing.reading import Cell

UTC = ZoneInfo("UTC")


class PlateBook:
    """The vehicles of the depots that *user* has access to, by plate, and the depots' time zones; read once."""

    def __init__(self, user: User) -> None:
        self._zones = {
            pk: ZoneInfo(name) for pk, name in Depot.objects.values_list("pk", "time_zone") if name
        }
        self.shapes = shapes_of(vehicles_for(user))
        self._by_key = {plate_key(shape.registration): shape for shape in self.shapes.values()}

    def find(self, plate: str, column: str) -> VehicleShape:
        """The vehicle with this plate. What lies in another depot is not told apart from what does not exist."""
        found = self._by_key.get(plate_key(plate))
        if found is None:
            raise RowProblem(
                f"No vehicle of your depots has this plate. {self._advice(plate)}", column, plate
            )
        return found

    def zone_of(self, plate: Cell) -> ZoneInfo:
        """The time zone of the vehicle's depot, in which a paper from there is written."""
        found = self._by_key.get(plate_key(text_of(plate)))
        return self._zones.get(found.depot_id, UTC) if found else UTC

    def _advice(self, plate: str) -> str:
        close = difflib.get_close_matches(plate_key(plate), self._by_key, n=3, cutoff=0.7)
        if not close:
            return "Register it first, or ask somebody with access to its depot to import it."
        plates = " or ".join(self._by_key[key].registration for key in close)
        return f"Is it {plates}? Otherwise register it first, or ask somebody with access to its depot."


class InstrumentNames:
    """Reference instruments by name and by serial number; read once."""

    def __init__(self) -> None:
        self._by_name: dict[str, UUID] = {}
        self.names: dict[UUID, str] = {}
        self.capacity_kg: dict[UUID, float] = {}
        for instrument in Instrument.objects.all():
            self.names[instrument.pk] = instrument.name
            self.capacity_kg[instrument.pk] = float(instrument.capacity_kg)
            for word in (instrument.serial, instrument.name):
                if word:
                    self._by_name[_folded(word)] = instrument.pk

    def find(self, name: str, column: str) -> UUID:
        found = self._by_name.get(_folded(name))
        if found is None:
            close = difflib.get_close_matches(_folded(name), self._by_name, n=2, cutoff=0.6)
            names = " or ".join(self.names[self._by_name[key]] for key in close)
            raise RowProblem(
                "No reference instrument has this name or serial number."
                + (f" Is it {names}?" if names else " Register it first."),
                column,
                name,
            )
        return found


def refuse_future(moment: datetime, now: datetime, column: str, value: str) -> None:
    if moment > now:
        raise RowProblem(
            "Lies in the future: correct it, or state another date format or time zone.", column, value
        )


def refuse_before_service(moment: datetime, shape: VehicleShape, column: str, value: str) -> None:
    if moment.date() < shape.in_service_on:
        raise RowProblem(
            f"Before {shape.registration} came into service on {day_text(shape.in_service_on)}: correct it, or the vehicle.",
            column,
            value,
        )


def _folded(name: str) -> str:
    return " ".join(name.casefold().split())
