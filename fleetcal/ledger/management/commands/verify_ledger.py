from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleetcal.ledger.naming import names_of
from fleetcal.ledger.selectors import counts_of
from fleetcal.ledger.verification import Finding, verify


class Command(BaseCommand):
    help = "Re-check every chain of the ledger and compare every recorded row with the entry that carries it."

    def handle(self, *args: Any, **options: Any) -> None:
        findings = list(verify(self._progress))
        names = names_of({finding.stream for finding in findings})
        for finding in findings:
            self.stderr.write(sentence(finding, names[finding.stream]))
        if findings:
            raise CommandError(
                f"{len(findings)} differences found: the stored data are not what was recorded"
            )
        counts = counts_of()
        self.stdout.write(
            f"{sum(counts.values())} entries in {len(counts)} streams: every chain is whole, every row is as recorded."
        )

    def _progress(self, done: int, total: int) -> None:
        if self.stdout.isatty():
            self.stdout.write(f"\r{done} of {total} entries", ending="" if done < total else "\n")


def sentence(finding: Finding, name: str) -> str:
    name = name or "no stream"
    place = name if finding.seq is None else f"{name}, entry {finding.seq}"
    where = f" ({finding.table} {finding.row}" + (f", column {finding.column})" if finding.column else ")")
    values = f": now {finding.in_row!r}, recorded {finding.in_entry!r}" if finding.column else ""
    return f"{place}: {finding.what}{where if finding.table else ''}{values}"
