"""repairs.csv: a workshop's log of suspension work, one job a line. The column *bonded_at* may be missing."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.fleet.components import WORK_WORDS
from fleetcal.fleet.days import moment_text
from fleetcal.importing.findings import Candidate, Findings, RowProblem, need
from fleetcal.importing.headings import Body
from fleetcal.importing.plates import PlateBook, refuse_before_service, refuse_future
from fleetcal.importing.problems import Problem, Skipped
from fleetcal.importing.rows import OwnRow
from fleetcal.records.models import ImportedFile
from fleetcal.records.services.repairs import RepairDraft, known_repairs, record_repairs, repair_key

HEADINGS = (
    "reported_on", "done_at", "plate", "workshop", "axle", "component", "work", "parts", "odometer_km", "remark",
)  # fmt: skip


def read(body: Body, *, actor: User, now: datetime) -> Findings:
    """A draft for every job that is not on record. The same job twice in the file counts once."""
    plates = PlateBook(actor)
    first: dict[str, int] = {}
    candidates: list[Candidate[RepairDraft]] = []
    problems: list[Problem] = list(body.problems)
    skipped: list[Skipped] = list(body.skipped)
    for line, cells in body.records:
        row = OwnRow(line, cells, plates.zone_of(cells.get("plate")))
        try:
            draft = read_repair(row, plates, now)
        except RowProblem as problem:
            problems.append(problem.at(line))
            continue
        earlier = first.setdefault(draft.natural_key or "", line)
        if earlier == line:
            candidates.append(Candidate((line,), draft))
        else:
            skipped.append(Skipped(line, f"the same job as line {earlier}"))
    on_record = known_repairs([each.draft.natural_key or "" for each in candidates])
    fresh = [each for each in candidates if each.draft.natural_key not in on_record]
    known = [each.lines[0] for each in candidates if each.draft.natural_key in on_record]
    return Findings(tuple(fresh), tuple(problems), tuple(known), tuple(skipped))


def read_repair(row: OwnRow, plates: PlateBook, now: datetime) -> RepairDraft:
    shape = plates.find(row.text("plate", required=True), "plate")
    done_at = row.needed_moment("done_at")
    refuse_future(done_at, now, "done_at", row.text("done_at"))
    refuse_before_service(done_at, shape, "done_at", row.text("done_at"))
    reported_on = row.day("reported_on")
    if reported_on and reported_on > done_at.date():
        raise RowProblem(
            "Reported after the work was done: correct one of the two.",
            "reported_on",
            row.text("reported_on"),
        )
    component, work = row.text("component", required=True), _work(row)
    axle = row.count("axle")
    return RepairDraft(
        vehicle_id=shape.id,
        component=component,
        work=work,
        happened_at=done_at,
        axle=axle,
        workshop=row.text("workshop"),
        parts=row.text("parts"),
        bonded_at=row.moment("bonded_at"),
        odometer_km=row.count("odometer_km"),
        note=row.text("remark"),
        entered={"work": row.text("work")}
        | ({"reported_on": reported_on.isoformat()} if reported_on else {}),
        line=row.line,
        natural_key=repair_key(shape.id, done_at, component, work, axle),
    )


def record(
    drafts: Sequence[Candidate[RepairDraft]],
    *,
    actor: User,
    file: ImportedFile | None,
    progress: Callable[[int], None] | None = None,
) -> set[UUID]:
    filed = [replace(each.draft, file_id=file.pk if file else None) for each in drafts]
    record_repairs(filed, actor=actor, progress=progress)
    return {draft.vehicle_id for draft in filed}


def describe(draft: RepairDraft) -> str:
    where = f", axle {draft.axle}" if draft.axle else ""
    return f"{draft.component} {draft.work}{where}, {moment_text(draft.happened_at)}"


def _work(row: OwnRow) -> str:
    word = need(row.text("work"), "work").casefold()
    if word not in WORK_WORDS:
        raise RowProblem(f"Not one of: {', '.join(WORK_WORDS)}.", "work", word)
    return str(WORK_WORDS[word])
