"""How a vehicle stood through a period, day by day, computed only on the days on which something can change."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from fleetcal.evaluation.facts import VehicleFacts
from fleetcal.evaluation.reading import terms_of
from fleetcal.evaluation.standing import Action, StandingOnDay, standing_on
from fleetcal.fleet.selectors import PolicyBook, VehicleShape
from fleetcal.reports.audit_trail import StandingSpan, asking_records

ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of one vehicle: its facts, and the policies that it is held to."""

    shape: VehicleShape
    facts: VehicleFacts
    book: PolicyBook
    known_at: datetime | None = None

    def standing(self, day: date) -> StandingSpan:
        version = self.book.version_for(self.shape, day, self.known_at)
        found = standing_on(self.facts, terms_of(version), day) if version else None
        return StandingSpan(day, day, found, version)


def list_spans(asked: Asked, since: date, until: date) -> tuple[StandingSpan, ...]:
    """The standing of every day from *since* to *until*, cut wherever anything about it can change."""
    return tuple(_walk(asked, since, until))


def _walk(asked: Asked, since: date, until: date) -> Iterator[StandingSpan]:
    policy_days, day = asked.book.changes_for(asked.shape), since
    while day <= until:
        span = asked.standing(day)
        turning = [turn for turn in policy_days if turn > day]
        if span.standing and span.standing.changes_on:
            turning.append(span.standing.changes_on)
        following = min([*turning, until + ONE_DAY])
        yield StandingSpan(day, following - ONE_DAY, span.standing, span.version)
        day = following


def merge_spans(spans: Sequence[StandingSpan]) -> tuple[StandingSpan, ...]:
    """Neighbours with the same word, reasons and policy version as one."""
    merged: list[StandingSpan] = []
    for span in spans:
        if merged and _says(merged[-1]) == _says(span):
            last = merged[-1]
            merged[-1] = StandingSpan(last.since, span.until, last.standing, last.version)
        else:
            merged.append(span)
    return tuple(merged)


def find_made_good(record: UUID, happened_on: date, spans: Sequence[StandingSpan]) -> date | None:
    """The first day from *happened_on* on which *record* no longer asks for anything, if it ever asked."""
    asked = False
    for span in spans:
        standing = span.standing
        if standing is None or span.until < happened_on:
            continue
        if record in asking_records(standing):
            asked = True
        elif asked and _is_judged(standing):
            return span.since
    return None


def _says(span: StandingSpan) -> tuple[object, ...]:
    if span.standing is None:
        return (None, span.version)
    return (span.standing.word, span.standing.reasons, span.version)


def _is_judged(standing: StandingOnDay) -> bool:
    """Whether checks are being asked for at all: without an accepted calibration they are not, and nothing is made good by that."""
    return any(obligation.action is Action.CHECK for obligation in standing.obligations)
