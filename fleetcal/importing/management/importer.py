"""What the import commands share: who imports, the dry run, what is said and with which exit status."""

from argparse import ArgumentParser
from collections.abc import Callable
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Role
from fleetcal.evaluation.services import evaluate
from fleetcal.importing.commit import ImportResult, commit
from fleetcal.importing.dry_run import ImportPlan, plan
from fleetcal.importing.mapping import Mapping
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import TicketSource


class ImportCommand(BaseCommand):
    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="a CSV or XLSX file")
        parser.add_argument(
            "--dry-run", action="store_true", help="say what would be recorded, and record nothing"
        )
        parser.add_argument(
            "--good-rows-only",
            action="store_true",
            help="record the good lines although others have problems",
        )
        parser.add_argument(
            "--as",
            dest="username",
            default="",
            help="who imports; without it, the only administrator that there is",
        )

    def import_file(
        self,
        kind: str,
        options: dict[str, Any],
        mapping: Mapping | None = None,
        source: TicketSource | None = None,
    ) -> None:
        actor = _actor(options["username"])
        path: Path = options["file"]
        try:
            planned = plan(path.read_bytes(), path.name, kind, mapping, actor, source=source)
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}.") from error
        except Refused as refusal:
            raise CommandError(f"{path.name}: {refusal}") from refusal
        for problem in planned.problems:
            self.stderr.write(str(problem))
        self.stdout.write(_told(planned))
        if not options["dry_run"]:
            self._commit(planned, actor, options["good_rows_only"])
        if planned.problems and not planned.candidates and not planned.known_lines:
            raise CommandError("Not one line of the file could be read.")

    def _commit(self, planned: ImportPlan, actor: User, good_rows_only: bool) -> None:
        try:
            result = commit(
                planned,
                actor=actor,
                with_good_rows_only=good_rows_only,
                progress=self._progress(len(planned.candidates)),
            )
        except Refused as refusal:
            raise CommandError(f"Nothing was recorded. {refusal} (--good-rows-only)") from refusal
        if result.vehicle_ids:
            evaluate(timezone.localdate(), vehicle_ids=result.vehicle_ids)
        self.stdout.write(_result(result))

    def _progress(self, total: int) -> Callable[[int], None]:
        """One line that counts up on a terminal; where the output goes to a file, a line for every step but the last."""
        is_terminal = self.stdout.isatty()

        def tell(done: int) -> None:
            if is_terminal:
                self.stdout.write(f"\r{done} of {total} written", ending="" if done < total else "\n")
                self.stdout.flush()
            elif done < total:
                self.stdout.write(f"{done} of {total} written")

        return tell


def _actor(username: str) -> User:
    if username:
        found = User.objects.filter(username=username, is_active=True).first()
        if found is None:
            raise CommandError(f"There is no active account “{username}”.")
        return found
    administrators = list(User.objects.filter(role=Role.ADMINISTRATOR, is_active=True)[:2])
    if len(administrators) != 1:
        raise CommandError("Say who imports: --as USERNAME.")
    return administrators[0]


def _told(planned: ImportPlan) -> str:
    counts = (
        f"{planned.rows_read} lines read: {planned.good} to record, {len(planned.known_lines)} on record already, "
        f"{planned.refused_lines} with problems"
    )
    passed_over = len(planned.skipped) + planned.blank_lines
    return (
        counts
        + (f"; {passed_over} passed over as titles, totals, repeats or blank" if passed_over else "")
        + "."
    )


def _result(result: ImportResult) -> str:
    if result.file is None:
        return "Nothing new: nothing was recorded."
    return f"{result.recorded} lines recorded. SHA-256 of the file: {result.file.sha256}"
