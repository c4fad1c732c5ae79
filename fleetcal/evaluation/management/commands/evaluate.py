from collections import Counter
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from fleetcal.evaluation import services
from fleetcal.evaluation.standing import StandingWord


class Command(BaseCommand):
    help = "Bring every vehicle's standing up to date, or compute the standings of a past day without storing them."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--as-of", metavar="DATE", help="a day like 2026-03-03; nothing is stored")
        parser.add_argument("--all", action="store_true", help="compute every vehicle again, changed or not")

    def handle(self, *args: Any, **options: Any) -> None:
        today = timezone.localdate()
        if options["as_of"]:
            day = _day(options["as_of"])
            standings = services.standings_as_of(day, progress=self._progress)
            self._print(day, dict(Counter(s.word.value for s in standings.values())), len(standings))
            return
        summary = services.evaluate(today, everything=options["all"], progress=self._progress)
        self._print(summary.as_of, summary.words, summary.in_service)
        self.stdout.write(f"{summary.evaluated} evaluated, {summary.changed} changed.")

    def _print(self, day: date, words: dict[str, int], total: int) -> None:
        self.stdout.write(f"{total} vehicles on {day.isoformat()}")
        for word in StandingWord:
            self.stdout.write(f"  {words.get(word.value, 0):>6}  {word.value}")

    def _progress(self, done: int, total: int) -> None:
        if self.stdout.isatty():
            self.stdout.write(f"\r{done} of {total} vehicles", ending="" if done < total else "\n")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"“{text}” is not a day; write it like 2026-03-03") from error
