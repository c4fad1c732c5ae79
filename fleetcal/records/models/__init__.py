from fleetcal.records.models.attachments import Attachment
from fleetcal.records.models.calibrations import (
    AcceptanceOutcome,
    Calibration,
    CalibrationAxle,
    CalibrationReading,
    Worksheet,
)
from fleetcal.records.models.checks import Check, CheckResult
from fleetcal.records.models.files import ImportedFile, TicketSource
from fleetcal.records.models.inspections import Inspection
from fleetcal.records.models.installations import Installation, SensorBond
from fleetcal.records.models.repairs import Repair

__all__ = [
    "AcceptanceOutcome",
    "Attachment",
    "Calibration",
    "CalibrationAxle",
    "CalibrationReading",
    "Check",
    "CheckResult",
    "ImportedFile",
    "Inspection",
    "Installation",
    "Repair",
    "SensorBond",
    "TicketSource",
    "Worksheet",
]
