from typing import Any

from fleetcal.importing.management.importer import ImportCommand
from fleetcal.records.models.files import FileKind


class Command(ImportCommand):
    help = "Imports a list of vehicles with their axles."

    def handle(self, *args: Any, **options: Any) -> None:
        self.import_file(FileKind.VEHICLES, options)
