"""One vehicle's life in a year, made through the services: calibrated, checked, repaired, put right, with corrections and files."""

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile

from fleetcal.accounts.models import User
from fleetcal.evaluation.services import evaluate
from fleetcal.fleet.models import Instrument, Vehicle
from fleetcal.records.models import Attachment, Calibration, Check, Repair
from fleetcal.records.services.attachments import add_attachment
from fleetcal.records.services.checks import (
    CheckDraft,
    DisplayReadings,
    PlatformReading,
    record_check,
    record_checks,
)
from fleetcal.records.services.corrections import withdraw
from fleetcal.records.services.repairs import RepairDraft, record_repair
from tests.calibration_factories import CALIBRATED_AT, make_calibration
from tests.factories import make_instrument, make_user, make_vehicle

PERIOD = date(2023, 1, 1), date(2023, 12, 31)
TYPED_WRONG = "typed 25 400 instead of 24 500"
TAKEN_BACK = "the ticket was of another vehicle"
NOTE = "Left rear <leaf> cracked & replaced"


@dataclass(frozen=True, slots=True)
class Story:
    vehicle: Vehicle
    bridge: Instrument
    clerk: User
    calibration: Calibration
    wrong: Check
    corrected: Check
    withdrawn: Check
    ticket: Check
    repair: Repair
    recalibration: Calibration
    photo: Attachment


def make_story(registration: str = "KJ-204") -> Story:
    """May: calibrated. June: a check, mistyped and corrected. July: a check that was taken back. September: a leaf spring replaced,
    calibrated again three days later. December: an everyday ticket."""
    vehicle, bridge = make_vehicle(registration), make_instrument()
    clerk = make_user("n.ashgrovely", role="clerk", full_name="Nell Ashgrovely")
    calibration = make_calibration(vehicle)
    wrong = record_check(
        check_draft(vehicle, bridge, "T-1001", datetime(2023, 6, 5, 8, 0, tzinfo=UTC), gross=25_400),
        actor=clerk,
    )
    right = check_draft(vehicle, bridge, "T-1001", datetime(2023, 6, 5, 8, 0, tzinfo=UTC), gross=24_500)
    corrected = record_check(replace(right, supersedes=wrong.pk, reason=TYPED_WRONG), actor=make_user())
    mistaken = check_draft(vehicle, bridge, "T-1002", datetime(2023, 7, 6, 8, 0, tzinfo=UTC), gross=24_000)
    withdrawn = record_check(mistaken, actor=clerk)
    withdraw(withdrawn, actor=make_user(), reason=TAKEN_BACK)
    repair = record_repair(
        RepairDraft(
            vehicle_id=vehicle.pk,
            component="leaf spring",
            work="replaced",
            happened_at=datetime(2023, 9, 4, 10, 0, tzinfo=UTC),
            axle=1,
            workshop="Millbridge workshop",
            note=NOTE,
        ),
        actor=make_user("b.hartwyn", role="workshop", full_name="Bram Hartwyn"),
    )
    recalibration = make_calibration(vehicle, CALIBRATED_AT + timedelta(days=128))
    everyday = check_draft(vehicle, bridge, "T-2001", datetime(2023, 12, 7, 8, 0, tzinfo=UTC), gross=20_000)
    ticket = record_check(replace(everyday, purpose="trade"), actor=clerk)
    photo = add_attachment(
        actor=clerk,
        vehicle=vehicle,
        record_id=corrected.pk,
        upload=SimpleUploadedFile("ticket 1001.pdf", b"%PDF-1.4 a scanned ticket"),
    )
    evaluate(PERIOD[1], vehicle_ids=[vehicle.pk])
    return Story(
        vehicle, bridge, clerk, calibration, wrong, corrected, withdrawn, ticket, repair, recalibration, photo
    )


def check_draft(
    vehicle: Vehicle, bridge: Instrument, ticket: str, at: datetime, gross: int, **fields: Any
) -> CheckDraft:
    """The display reads 60 kg more than the bridge, twice."""
    draft = CheckDraft(
        vehicle_id=vehicle.pk,
        instrument_id=bridge.pk,
        ticket=ticket,
        purpose="check",
        weighed_at=at,
        displayed_at=at + timedelta(minutes=4),
        platform=(PlatformReading(Decimal(gross)),),
        display=(DisplayReadings((Decimal(gross + 50), Decimal(gross + 70))),),
    )
    return replace(draft, **fields)


def make_checks(vehicle: Vehicle, bridge: Instrument, number: int) -> list[Check]:
    """One a day."""
    begin = datetime(2023, 6, 1, 8, 0, tzinfo=UTC)
    drafts = [
        check_draft(vehicle, bridge, f"N-{n:04}", begin + timedelta(days=n), gross=24_000 + 10 * (n % 50))
        for n in range(number)
    ]
    return record_checks(drafts, actor=make_user())
