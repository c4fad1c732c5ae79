"""Keeping the stored standings in step with the records: only what changed, or what a new day can change, is computed again."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Count, F, Max, Q, Value
from django.utils import timezone

from fleetcal.evaluation.models import Obligation, Standing, StandingChange, Sweep
from fleetcal.evaluation.reading import read_facts, terms_of
from fleetcal.evaluation.standing import Action, Cause, Reason, StandingOnDay, StandingWord, standing_on
from fleetcal.evaluation.strips import newest_gross_errors
from fleetcal.fleet.models import Certificate, Instrument, InstrumentFinding, PolicyVersion, Vehicle
from fleetcal.fleet.selectors import PolicyBook, VehicleShape
from fleetcal.ledger.canonical import plain
from fleetcal.ledger.selectors import counts_of, entry_count, newest_entry, streams_since
from fleetcal.ledger.services import FLEET_STREAM, Draft, record_many

CHUNK = 500
ACTOR = "fleetcal"
STANDING_CHANGED = "standing.changed"
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Summary:
    """What an evaluation did: how many vehicles were looked at, by standing, and how many changed their word."""

    as_of: date
    in_service: int
    evaluated: int
    changed: int
    words: dict[str, int]


def evaluate(
    as_of: date,
    *,
    vehicle_ids: Collection[UUID] | None = None,
    everything: bool = False,
    progress: Progress | None = None,
) -> Summary:
    """Bring the stored standings to *as_of*. Without *everything*, vehicles whose result still holds are left alone."""
    newest = newest_entry()
    stale = sorted(stale_vehicles(as_of, vehicle_ids, everything=everything))
    book, changed = PolicyBook(), 0
    for start in range(0, len(stale), CHUNK):
        changed += _evaluate_chunk(stale[start : start + CHUNK], as_of, book)
        if progress:
            progress(min(start + CHUNK, len(stale)), len(stale))
    # What no longer runs stands nowhere and has nothing to be done.
    Obligation.objects.filter(vehicle__retired_on__isnull=False).delete()
    Standing.objects.filter(vehicle__retired_on__isnull=False).delete()
    _refresh_instruments(as_of)
    if vehicle_ids is None:
        _remember(
            Sweep(pk=1, as_of=as_of, newest_entry=newest, seen_rules=rules_mark(), finished_at=timezone.now())
        )
    words = Counter(Standing.objects.values_list("word", flat=True))
    return Summary(as_of, Vehicle.objects.in_service().count(), len(stale), changed, dict(words))


def _remember(sweep: Sweep) -> None:
    columns = [field.name for field in Sweep._meta.concrete_fields if not field.primary_key]
    Sweep.objects.bulk_create([sweep], update_conflicts=True, unique_fields=["id"], update_fields=columns)


def stale_vehicles(
    as_of: date, vehicle_ids: Collection[UUID] | None = None, *, everything: bool = False
) -> set[UUID]:
    """The vehicles in service whose stored standing does not hold on *as_of*."""
    in_service = Vehicle.objects.in_service()
    if vehicle_ids is not None:
        in_service = in_service.filter(pk__in=vehicle_ids)
    if everything:
        return set(in_service.values_list("pk", flat=True))
    holds = Standing.objects.annotate(entries=entry_count("stream")).filter(
        Q(changes_on__isnull=True) | Q(changes_on__gt=as_of),
        seen_entries=F("entries"),
        seen_rules=rules_mark(),
        as_of__lte=as_of,
    )
    stale = in_service.exclude(pk__in=holds.values("vehicle_id"))
    return set(stale.order_by().values_list("pk", flat=True))


def vehicles_behind(as_of: date, few: int) -> set[UUID]:
    """The vehicles whose records are newer than their standing, without looking at the whole fleet while only a *few* can be."""
    sweep = Sweep.objects.first()
    if sweep is None or sweep.as_of != as_of or sweep.seen_rules != rules_mark():
        return stale_vehicles(as_of)
    streams = streams_since(sweep.newest_entry, few + 2, without=STANDING_CHANGED)
    if len(streams) > few + 1:
        return stale_vehicles(as_of)
    return stale_vehicles(as_of, [UUID(stream) for stream in streams if stream != FLEET_STREAM])


def rules_mark() -> int:
    """Moves when a policy version, a certificate or a finding is recorded: any of them may change any standing.

    Counted, since the highest number does not move when a transaction with a lower one commits later.
    """
    first, *others = (
        model.objects.order_by()
        .values(of=Value(model._meta.db_table))
        .annotate(n=Count("pk"))
        .values_list("n")
        for model in (PolicyVersion, Certificate, InstrumentFinding)
    )
    return sum(count for (count,) in first.union(*others, all=True))


def standing_as_of(
    vehicle: Vehicle, day: date, known_at: datetime | None = None
) -> tuple[StandingOnDay, PolicyVersion] | None:
    """The standing of one vehicle on any day, as known at a moment; None where no policy was in force."""
    shape, facts = read_facts([vehicle.pk], known_at)[vehicle.pk]
    version = PolicyBook().version_for(shape, day, known_at)
    return (standing_on(facts, terms_of(version), day), version) if version else None


def standings_as_of(
    day: date, known_at: datetime | None = None, progress: Progress | None = None
) -> dict[UUID, StandingOnDay]:
    """The standings of the whole fleet on any day, computed and not stored."""
    book, found = PolicyBook(), {}
    keys = list(Vehicle.objects.filter(in_service_on__lte=day).values_list("pk", flat=True))
    for start in range(0, len(keys), CHUNK):
        for key, (shape, facts) in read_facts(keys[start : start + CHUNK], known_at).items():
            version = book.version_for(shape, day, known_at)
            if version and (shape.retired_on is None or shape.retired_on > day):
                found[key] = standing_on(facts, terms_of(version), day)
        if progress:
            progress(min(start + CHUNK, len(keys)), len(keys))
    return found


@transaction.atomic
def _evaluate_chunk(keys: Sequence[UUID], as_of: date, book: PolicyBook) -> int:
    # Counted before the records are read: what arrives in between leaves the vehicle stale, never overlooked.
    counts, rules = counts_of([str(key) for key in keys]), rules_mark()
    before = {row.vehicle_id: row for row in Standing.objects.select_for_update().filter(vehicle__in=keys)}
    strips = newest_gross_errors(keys)
    results: dict[UUID, tuple[StandingOnDay, PolicyVersion, date | None]] = {}
    for key, (shape, facts) in read_facts(keys).items():
        version = book.version_for(shape, as_of)
        if version:
            result = standing_on(facts, terms_of(version), as_of)
            results[key] = (result, version, _first_change(result, book, shape, as_of))
    moved = [
        key for key, (result, *_) in results.items() if key not in before or before[key].word != result.word
    ]
    seen = counts | _record_changes(moved, results, before, as_of, counts)
    _store(results, strips, seen, rules)
    return len(moved)


def _first_change(result: StandingOnDay, book: PolicyBook, shape: VehicleShape, as_of: date) -> date | None:
    turning = [day for day in book.changes_for(shape) if day > as_of]
    if result.changes_on:
        turning.append(result.changes_on)
    return min(turning, default=None)


def _record_changes(
    moved: Sequence[UUID],
    results: dict[UUID, tuple[StandingOnDay, PolicyVersion, date | None]],
    before: dict[UUID, Standing],
    as_of: date,
    counts: dict[str, int],
) -> dict[str, int]:
    """Write one entry per raised or cleared flag; the entries that each stream then has, where nothing else came in between."""
    now = timezone.now()
    drafts = []
    for key in moved:
        result = results[key][0]
        change = StandingChange(
            vehicle_id=key,
            as_of=as_of,
            before=before[key].word if key in before else "",
            after=result.word.value,
            reasons=[reason_json(reason) for reason in result.reasons],
            recorded_at=now,
        )
        drafts.append(Draft(str(key), STANDING_CHANGED, ACTOR, [change]))
    if not drafts:
        return {}
    entries = record_many(drafts)
    return {entry.stream: entry.seq + 1 for entry in entries if entry.seq == counts.get(entry.stream, 0)}


def _store(
    results: dict[UUID, tuple[StandingOnDay, PolicyVersion, date | None]],
    strips: dict[UUID, dict[str, Any]],
    seen: dict[str, int],
    rules: int,
) -> None:
    rows = [
        Standing(
            vehicle_id=key,
            as_of=result.day,
            word=result.word.value,
            severity=result.word.severity,
            reasons=[reason_json(reason) for reason in result.reasons],
            due_on=result.due_on,
            policy_version=version,
            strip=strips.get(key, {}),
            stream=str(key),
            seen_entries=seen.get(str(key), 0),
            seen_rules=rules,
            changes_on=changes_on,
            evaluated_at=timezone.now(),
        )
        for key, (result, version, changes_on) in results.items()
    ]
    columns = [f.name for f in Standing._meta.concrete_fields if f.name != "vehicle"]
    Standing.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["vehicle"], update_fields=columns
    )
    Obligation.objects.filter(vehicle__in=list(results)).delete()
    Obligation.objects.bulk_create(
        Obligation(
            vehicle_id=key,
            action=obligation.action.value,
            cause=obligation.reason.cause.value,
            subject=obligation.reason.subject,
            due_on=obligation.due_on,
            opens_on=obligation.opens_on,
            urgency=_urgency(result.word, obligation.action),
            detail={
                "reason": reason_json(obligation.reason),
                "also": [reason_json(r) for r in obligation.also],
            },
            is_information=obligation.is_information,
        )
        for key, (result, *_) in results.items()
        for obligation in result.obligations
    )


def _urgency(word: StandingWord, action: Action) -> int:
    return word.severity * len(Action) + list(Action).index(action)


@transaction.atomic
def _refresh_instruments(as_of: date) -> None:
    """A reference instrument is due when its newest certificate ends; without one it is due at once."""
    window = timedelta(days=PolicyVersion._meta.get_field("planning_window_days").default)
    # Locked, so that two evaluations at once do not both write what each of them misses.
    instruments = Instrument.objects.select_for_update().order_by("pk")
    in_use = [instrument.pk for instrument in instruments if instrument.retired_on is None]
    ends = dict(Certificate.objects.values_list("instrument").annotate(newest=Max("valid_until")))
    due = {key: (ends.get(key, as_of), key in ends) for key in in_use}
    present = Obligation.objects.filter(instrument__isnull=False)
    columns = ("instrument_id", "due_on", "detail__has_certificate")
    if due == {key: (day, has) for key, day, has in present.values_list(*columns)}:
        return
    present.delete()
    Obligation.objects.bulk_create(
        Obligation(
            instrument_id=key,
            action=Action.VERIFY.value,
            cause=Cause.CERTIFICATE_ENDS.value,
            due_on=day,
            opens_on=day - window,
            urgency=len(StandingWord) * len(Action),
            detail={"has_certificate": has_certificate},
        )
        for key, (day, has_certificate) in due.items()
    )


def reason_json(reason: Reason) -> dict[str, Any]:
    """A reason in the shape that is stored and recorded."""
    members: dict[str, Any] = plain(
        {name: value for name, value in asdict(reason).items() if value not in (None, "", {})}
    )
    return members


def reasons_from_json(rows: Iterable[dict[str, Any]]) -> tuple[Reason, ...]:
    return tuple(
        Reason(
            cause=Cause(row["cause"]),
            subject=row.get("subject", 0),
            on=date.fromisoformat(row["on"]) if "on" in row else None,
            record=UUID(row["record"]) if "record" in row else None,
            record_kind=row.get("record_kind", ""),
            detail=row.get("detail", {}),
        )
        for row in rows
    )
