from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from fleetcal.tasks.local_broker import NoBroker
from fleetcal.tasks.workers import end_when_terminated, running_worker


class Command(BaseCommand):
    help = "Run the background jobs and their timetable, with a broker of this machine's own where none is configured."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--processes", type=int, default=1, help="how many jobs run at a time")

    def handle(self, *args: Any, **options: Any) -> None:
        end_when_terminated()
        try:
            with running_worker(options["processes"]) as worker:
                self.stdout.write("The worker runs. Stop it with Ctrl+C.")
                worker.wait()
        except NoBroker as missing:
            raise CommandError(str(missing)) from missing
        except KeyboardInterrupt:
            self.stdout.write("Stopped.")
