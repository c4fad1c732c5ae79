"""Writing what a plan holds: the file with its digest and every good line, in one transaction or not at all."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.importing.collector import resting
from fleetcal.importing.dry_run import ImportPlan
from fleetcal.importing.kinds import CAPABILITY_FOR, OWN_KINDS
from fleetcal.importing.mapping import to_json
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import total_count
from fleetcal.ledger.services import FLEET_STREAM, Draft, record
from fleetcal.records.check_desk import CheckDesk
from fleetcal.records.models import ImportedFile
from fleetcal.records.models.files import FileKind
from fleetcal.records.services.checks import record_checks


@dataclass(frozen=True, slots=True)
class ImportResult:
    """*file* is None where there was nothing new to record: then nothing at all was written."""

    file: ImportedFile | None
    recorded: int
    known: int
    refused: int
    vehicle_ids: frozenset[UUID]


@resting()
@transaction.atomic
def commit(
    plan: ImportPlan,
    *,
    actor: User,
    with_good_rows_only: bool,
    progress: Callable[[int], None] | None = None,
) -> ImportResult:
    """Everything of *plan*, or nothing. `Refused` where lines have problems and the person did not choose to go without them."""
    if not actor.may(CAPABILITY_FOR[FileKind(plan.kind)]):
        raise Refused("Your role does not include recording what this file holds.")
    if plan.problems and not with_good_rows_only:
        raise Refused(
            f"{plan.refused_lines} of {plan.rows_read} lines have problems. Correct the file and read it again, or choose to record "
            "the good lines only.",
            "with_good_rows_only",
        )
    if not plan.candidates:
        return ImportResult(None, 0, len(plan.known_lines), plan.refused_lines, frozenset())
    desk = plan.desk if plan.entries == total_count() else None
    file = _imported_file(plan, actor)
    record(Draft(stream=FLEET_STREAM, kind="file.imported", actor=actor.username, rows=[file]))
    vehicle_ids = _record_lines(plan, actor, file, desk, progress)
    return ImportResult(file, plan.good, len(plan.known_lines), plan.refused_lines, frozenset(vehicle_ids))


def _record_lines(
    plan: ImportPlan,
    actor: User,
    file: ImportedFile,
    desk: CheckDesk | None,
    progress: Callable[[int], None] | None,
) -> set[UUID]:
    if plan.kind != FileKind.TICKETS:
        own = OWN_KINDS[FileKind(plan.kind)]
        return own.record(plan.candidates, actor=actor, file=file, progress=progress)
    drafts = [replace(each.draft, file_id=file.pk) for each in plan.candidates]
    record_checks(drafts, actor=actor, progress=progress, desk=desk)
    return {unit for draft in drafts for unit in (draft.vehicle_id, *draft.coupled)}


def _imported_file(plan: ImportPlan, actor: User) -> ImportedFile:
    file = ImportedFile(
        kind=plan.kind,
        source=plan.source,
        name=plan.name[-200:],
        size=plan.size,
        sha256=plan.sha256,
        mapping=to_json(plan.mapping) if plan.mapping else {},
        rows_read=plan.rows_read,
        rows_recorded=plan.good,
        rows_known=len(plan.known_lines),
        rows_refused=plan.refused_lines,
        recorded_at=timezone.now(),
        recorded_by=actor,
    )
    file.clean_fields(exclude={"entry"})
    return file
