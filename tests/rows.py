"""Records written row by row with the words and days that a test chooses, where a service would work them out from readings."""

import hashlib
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.utils import timezone

from fleetcal.evaluation.models import StandingChange
from fleetcal.fleet.models import (
    Axle,
    Depot,
    DepotAccess,
    Instrument,
    InstrumentFinding,
    PolicyVersion,
    RepairRule,
    Vehicle,
    WeighingSystem,
)
from fleetcal.ledger.facts import Recorded, recorded_models
from fleetcal.ledger.models import Entry
from fleetcal.ledger.services import FLEET_STREAM, Draft, record
from fleetcal.records.models import (
    AcceptanceOutcome,
    Attachment,
    Calibration,
    CalibrationAxle,
    CalibrationReading,
    Check,
    CheckResult,
    ImportedFile,
    Inspection,
    Installation,
    Repair,
    SensorBond,
    TicketSource,
)
from tests.factories import make_instrument, make_policy, make_system, make_vehicle, registrar

METHOD = "test"


def at(day: date, hour: int = 12, minute: int = 0) -> datetime:
    return datetime.combine(day, time(hour, minute), UTC)


def write(stream: str, kind: str, *rows: Recorded) -> Entry:
    return record(Draft(stream=stream, kind=kind, actor=registrar().username, rows=rows))


def a_version() -> PolicyVersion:
    return make_policy().versions.latest("number")


def recorded(when: datetime | None = None) -> dict[str, Any]:
    return {"recorded_at": when or timezone.now(), "recorded_by": registrar()}


def write_calibration(
    vehicle: Vehicle,
    happened_at: datetime,
    *,
    instrument: Instrument | None = None,
    recorded_at: datetime | None = None,
    excuse: str = "",
    **columns: Any,
) -> Calibration:
    """An accepted calibration of every group, with one reading on *instrument*; *excuse* is for a bond that had not cured."""
    signed = {"stop_a_at": happened_at - timedelta(hours=2), "stop_b_at": happened_at - timedelta(hours=1)}
    calibration = Calibration(
        **{
            "vehicle": vehicle,
            "happened_at": happened_at,
            "system": vehicle.systems.filter(removed_on__isnull=True).first(),
            "policy_version": a_version(),
            "method_version": METHOD,
            "started_at": happened_at - timedelta(hours=3),
            "accepted": True,
            "division_kg": Decimal(20),
            "covers_groups": list(vehicle.groups.values_list("position", flat=True)),
            **signed,
            **recorded(recorded_at),
            **columns,
        }
    )
    reading = CalibrationReading(
        calibration=calibration,
        number=1,
        state="loaded",
        method="bridge",
        instrument=instrument or make_instrument(),
        axles=[1],
        value_kg=Decimal(24_000),
        read_at=happened_at,
    )
    outcome = AcceptanceOutcome(
        calibration=calibration,
        number=1,
        rule="bond_cured",
        met=not excuse,
        value=Decimal(80),
        limit=Decimal(72),
        excuse=excuse,
        excused_by=registrar().username if excuse else "",
    )
    write(vehicle.stream, "calibration.accepted", calibration, reading, outcome)
    return calibration


def write_check(
    vehicle: Vehicle,
    happened_at: datetime,
    words: dict[int, str],
    *,
    recorded_at: datetime | None = None,
    **columns: Any,
) -> Check:
    """A check of a full load with *words* by subject (0 the gross)."""
    check = Check(
        **{
            "vehicle": vehicle,
            "happened_at": happened_at,
            "system": vehicle.systems.filter(removed_on__isnull=True).first(),
            "instrument": make_instrument(),
            "policy_version": a_version(),
            "method_version": METHOD,
            "ticket": "T-1",
            "purpose": "check",
            "load_percent": Decimal("95.0"),
            "counts": True,
            **recorded(recorded_at),
            **columns,
        }
    )
    results = [
        CheckResult(
            comparison=check,
            subject=subject,
            reference_kg=Decimal(24_700),
            indicated_kg=Decimal(24_800),
            error_kg=Decimal(100),
            expanded_kg=Decimal(60),
            maximum_kg=Decimal(26_000),
            limit_kg=Decimal(780),
            acceptance_limit_kg=Decimal(720),
            readings=2,
            word=word,
        )
        for subject, word in words.items()
    ]
    write(vehicle.stream, "check.recorded", check, *results)
    return check


def write_repair(
    vehicle: Vehicle, happened_at: datetime, effect: str, groups: list[int], **columns: Any
) -> Repair:
    repair = Repair(
        **{
            "vehicle": vehicle,
            "happened_at": happened_at,
            "policy_version": a_version(),
            "component": "leaf spring",
            "work": "replaced",
            "effect": effect,
            "groups": groups,
            **recorded(),
            **columns,
        }
    )
    write(vehicle.stream, "repair.recorded", repair)
    return repair


def write_finding(instrument: Instrument, wrong_from: date, wrong_until: date, found_on: date) -> None:
    finding = InstrumentFinding(
        instrument=instrument,
        wrong_from=wrong_from,
        wrong_until=wrong_until,
        found_on=found_on,
        what="a load cell was loose",
        **recorded(),
    )
    write(FLEET_STREAM, "instrument.found_wrong", finding)


def write_one_of_each() -> Vehicle:
    """At least one row in every table that the ledger vouches for, with most columns filled."""
    vehicle, instrument = make_vehicle(layout="rigid4"), make_instrument()
    system, moment = make_system(vehicle), datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
    typed: dict[str, Any] = {"reason": "typed again", "odometer_km": 120_000, "note": "creaks"}
    write_calibration(vehicle, moment, why_not="too light", slope_percent=Decimal("0.40"), **typed)
    write_check(vehicle, moment + timedelta(days=90), {0: "pass", 1: "pass"}, counts=False, **typed)
    write_repair(vehicle, moment + timedelta(days=100), "check", [2], axle=3, **typed)
    write_finding(instrument, date(2024, 1, 1), date(2024, 2, 1), date(2024, 2, 2))
    write(
        FLEET_STREAM,
        "file.imported",
        source := TicketSource(name="Millbridge office", instrument=instrument, mapping={"ticket": "No."}),
        a_file(source),
        DepotAccess(depot=Depot.objects.get(), user=registrar()),
        RepairRule(version=a_version(), component="cab mount", work="replaced", effect="check"),
    )
    _write_parts(vehicle, system, moment)
    empty = [model._meta.label for model in recorded_models() if not model._default_manager.exists()]
    assert empty == []
    return vehicle


def a_file(source: TicketSource) -> ImportedFile:
    counts = {"rows_read": 9, "rows_recorded": 5, "rows_known": 3, "rows_refused": 1}
    return ImportedFile(
        kind="tickets", source=source, name="may.csv", size=812, sha256="5" * 64, **counts, **recorded()
    )


def _write_parts(vehicle: Vehicle, system: WeighingSystem, moment: datetime) -> None:
    calibration = Calibration.objects.latest("happened_at")
    sensor = system.sensors.earliest("channel")
    axle: Axle = vehicle.axles.get(number=2)
    installation = Installation(
        vehicle=vehicle,
        system=system,
        happened_at=moment,
        alarm_gross_kg=Decimal(32_000),
        reason="typed again",
        **recorded(),
    )
    write(
        vehicle.stream,
        "installation.recorded",
        installation,
        SensorBond(
            installation=installation,
            sensor=sensor,
            bonded_at=moment,
            surface_temperature=Decimal("18.50"),
            pressed_min=Decimal("5.0"),
        ),
        CalibrationAxle(
            calibration=calibration,
            axle=axle.number,
            group=2,
            empty_kg=Decimal(2_000),
            loaded_kg=Decimal(7_000),
            u_empty_kg=Decimal("4.1"),
            u_loaded_kg=Decimal("6.2"),
            span_kg=Decimal(5_000),
            u_span_kg=Decimal("7.4"),
            tare_entered_kg=Decimal(2_000),
            span_entered_kg=Decimal(5_000),
        ),
        _an_inspection(vehicle, moment),
        _a_file(vehicle, calibration),
        StandingChange(
            vehicle=vehicle,
            as_of=moment.date(),
            before="overdue",
            after="reliable",
            recorded_at=timezone.now(),
        ),
    )


def _an_inspection(vehicle: Vehicle, moment: datetime) -> Inspection:
    return Inspection(
        vehicle=vehicle,
        happened_at=moment,
        vin="XKL7300000A204026",
        place="Hexley",
        test="three loads",
        passed=True,
        next_due_on=date(2028, 5, 4),
        workshop_name="Carnow Truck Workshop",
        workshop_address="4 Mill Lane, Hexley",
        workshop_number="HX-114",
        inspector="Orla Denvick",
        device_mark="Tarnwick",
        device_type="P10",
        device_number="77-310",
        device_examination="TX-2201",
        device_verified_on=date(2026, 1, 14),
        maximum_kg=Decimal(32_000),
        deficiencies="a lead without its label",
        points=[["16000.000", "16300.000"]],
        reason="typed again",
        **recorded(),
    )


def _a_file(vehicle: Vehicle, calibration: Calibration) -> Attachment:
    content = b"%PDF-1.7 a ticket"
    return Attachment(
        vehicle=vehicle,
        record=calibration.pk,
        name="ticket.pdf",
        media_type="application/pdf",
        size=len(content),
        sha256=hashlib.sha256(content).hexdigest(),
        file=default_storage.save("ticket.pdf", ContentFile(content)),
        **recorded(),
    )
