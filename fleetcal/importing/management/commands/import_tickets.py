from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from fleetcal.importing.management.importer import ImportCommand
from fleetcal.importing.mapping import from_json
from fleetcal.importing.sources import source_named
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models.files import FileKind


class Command(ImportCommand):
    help = "Imports a file of weighbridge tickets with display readings, read as its source says."

    def add_arguments(self, parser: ArgumentParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("--source", required=True, help="the name of the ticket source")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            source = source_named(options["source"])
            mapping = from_json(source.mapping)
        except Refused as refusal:
            raise CommandError(str(refusal)) from refusal
        self.import_file(FileKind.TICKETS, options, mapping, source)
