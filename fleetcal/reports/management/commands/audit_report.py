from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db.models import Q
from django.utils import timezone

from fleetcal.accounts.models import MassUnit
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.models.vehicles import plate_key
from fleetcal.ledger.refusals import Refused
from fleetcal.reports.audit_data import audit_of, period_on_record
from fleetcal.reports.audit_pdf import render_audit


class Command(BaseCommand):
    help = "Write a vehicle's audit report as a PDF: the same records give the same file, byte for byte."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("vehicle", help="registration, fleet number or id")
        parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="where the PDF goes")
        parser.add_argument(
            "--from",
            dest="since",
            metavar="DATE",
            help="a day like 2026-03-03; else the first day in service",
        )
        parser.add_argument(
            "--to",
            dest="until",
            metavar="DATE",
            help="a day like 2026-03-31; else the day of the newest entry",
        )
        parser.add_argument("--unit", choices=MassUnit.values, default=MassUnit.KILOGRAM, help="of masses")

    def handle(self, *args: Any, **options: Any) -> None:
        vehicle = find_vehicle(options["vehicle"])
        first, last = period_on_record(vehicle)
        since = _day(options["since"]) if options["since"] else first
        until = _day(options["until"]) if options["until"] else last
        if until > timezone.localdate(timezone=ZoneInfo(vehicle.depot.time_zone)):
            raise CommandError(f"{until} is still to come: a report ends today or earlier.")
        try:
            trail = audit_of(vehicle, since, until)
        except Refused as refusal:
            raise CommandError(str(refusal)) from refusal
        content = render_audit(trail, options["unit"])
        path: Path = options["out"]
        try:
            path.write_bytes(content)
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.") from error
        self.stdout.write(
            f"{path}: {vehicle.registration}, {since} to {until}, records up to entry {trail.newest.seq}, "
            f"digest {trail.newest.digest}"
        )


def find_vehicle(text: str) -> Vehicle:
    """The one vehicle that *text* names; `CommandError` where there is none, or more than one."""
    named = Q(fleet_number=text)
    if plate_key(text):
        named |= Q(plate_key=plate_key(text))
    with suppress(ValueError):
        named |= Q(pk=UUID(text))
    found = list(Vehicle.objects.filter(named).select_related("depot"))
    if not found:
        raise CommandError(f"There is no vehicle “{text}”; give its registration, fleet number or id.")
    if len(found) > 1:
        names = " and ".join(
            f"{vehicle.registration} (fleet number {vehicle.fleet_number})" for vehicle in found
        )
        raise CommandError(f"“{text}” could be {names}: give the id instead.")
    return found[0]


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"“{text}” is not a day; write it like 2026-03-03.") from error
