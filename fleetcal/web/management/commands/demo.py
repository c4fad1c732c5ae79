import time
from contextlib import ExitStack
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection
from django.utils import timezone

from fleetcal.ledger import fence
from fleetcal.tasks.local_broker import NoBroker
from fleetcal.tasks.workers import end_when_terminated, running_worker
from fleetcal.web import demo


class Command(BaseCommand):
    help = "Set up and serve a demo fleet: an invented haulier with three depots and three years of records."
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        usual = demo.Fleet()
        parser.add_argument("--no-serve", action="store_true", help="set up only")
        parser.add_argument(
            "--vehicles", type=int, default=usual.vehicles, metavar="N", help="how many vehicles"
        )
        parser.add_argument(
            "--years", type=float, default=usual.years, metavar="Y", help="how many years of records"
        )
        parser.add_argument(
            "--seed", type=int, default=usual.seed, metavar="S", help="another seed, another fleet"
        )
        parser.add_argument("--port", type=int, default=8000, help="the port to serve on")

    def handle(self, *args: Any, **options: Any) -> None:
        if not settings.DEBUG:
            raise CommandError("The demo is for trying out only; it does not run with FLEETCAL_DEBUG=0.")
        self._begun = time.monotonic()
        settings.DATA_DIR.mkdir(parents=True, exist_ok=True)
        self._say("Database")
        call_command("migrate", verbosity=0)
        fence.require(connection)
        self._load(demo.Fleet(options["vehicles"], options["years"], options["seed"]))
        self._invite(options["port"], serves=not options["no_serve"])
        if not options["no_serve"]:
            self._serve(options["port"])

    def _load(self, fleet: demo.Fleet) -> None:
        if demo.is_loaded():
            self._say("The fleet is there already; nothing was changed")
            if fleet != demo.Fleet():
                self._say("For another fleet, name another empty folder in FLEETCAL_DATA_DIR")
            return
        try:
            summary = demo.load(fleet, timezone.localdate(), self._say)
        except ValueError as refusal:
            raise CommandError(str(refusal)) from refusal
        words = ", ".join(f"{count} {word}" for word, count in sorted(summary.words.items()))
        self._say(f"{summary.in_service} vehicles: {words}")

    def _invite(self, port: int, *, serves: bool) -> None:
        if serves:
            self.stdout.write(f"\nfleetcal is at http://localhost:{port}/")
        self.stdout.write(f"Sign in with the password {demo.password()} as")
        for user in demo.sign_ins():
            self.stdout.write(f"  {user.username:<14} {user.get_role_display()}")

    def _serve(self, port: int) -> None:
        end_when_terminated()
        with ExitStack() as stack:
            try:
                stack.enter_context(running_worker())
            except NoBroker as missing:
                self.stdout.write(f"Without background jobs: {missing}")
            self.stdout.write("Stop with Ctrl+C.")
            call_command("runserver", f"127.0.0.1:{port}", use_reloader=False, verbosity=0)

    def _say(self, what: str) -> None:
        self.stdout.write(f"{time.monotonic() - self._begun:5.1f} s  {what}")
