from argparse import ArgumentParser
from typing import Any

from fleetcal.importing.management.importer import ImportCommand
from fleetcal.records.models.files import FileKind

KINDS = (FileKind.INSTALLATIONS, FileKind.WORKSHEETS, FileKind.REPAIRS)


class Command(ImportCommand):
    help = "Imports installations, calibration worksheets or suspension repairs."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("kind", choices=[str(kind) for kind in KINDS])
        super().add_arguments(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        self.import_file(options["kind"], options)
