from fleetcal.fleet.models.depots import Depot, DepotAccess
from fleetcal.fleet.models.instruments import Certificate, Instrument, InstrumentFinding
from fleetcal.fleet.models.policies import Policy, PolicyVersion, RepairRule
from fleetcal.fleet.models.systems import Sensor, WeighingSystem
from fleetcal.fleet.models.vehicles import Axle, AxleGroup, Vehicle

__all__ = [
    "Axle",
    "AxleGroup",
    "Certificate",
    "Depot",
    "DepotAccess",
    "Instrument",
    "InstrumentFinding",
    "Policy",
    "PolicyVersion",
    "RepairRule",
    "Sensor",
    "Vehicle",
    "WeighingSystem",
]
