"""Two lines of a file that are one combination: one ticket, and each line names the plate of the other."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from uuid import UUID

from fleetcal.importing.findings import Candidate
from fleetcal.importing.problems import Problem
from fleetcal.records.check_drafts import CheckDraft, Covered, PlatformReading, split_combination

Pair = tuple[Candidate[CheckDraft], Candidate[CheckDraft]]
Place = tuple[UUID, str, datetime, UUID]


def join_combinations(
    found: Sequence[Candidate[CheckDraft]], column: str, problems: list[Problem]
) -> list[Candidate[CheckDraft]]:
    """*found*, where both units of a combination hold the readings of both; each keeps its line and what else stands there.

    Only where both lines say so. Where they do and their weights contradict each other, neither is given back; *column* is the
    one that the problem names.
    """
    by_place = {_place(each.draft, each.draft.vehicle_id): each for each in found}
    joined: dict[Place, Candidate[CheckDraft] | None] = {}
    for first in found:
        if _place(first.draft, first.draft.vehicle_id) in joined:
            continue
        second = _partner(first.draft, by_place)
        if second is None:
            continue
        for each, draft in zip((first, second), _join((first, second), column, problems), strict=True):
            joined[_place(each.draft, each.draft.vehicle_id)] = replace(each, draft=draft) if draft else None
    kept = [joined.get(place, each) for place, each in by_place.items()]
    return [each for each in kept if each is not None]


def _place(draft: CheckDraft, vehicle_id: UUID) -> Place:
    return draft.instrument_id, " ".join(draft.ticket.upper().split()), draft.weighed_at, vehicle_id


def _partner(draft: CheckDraft, by_place: dict[Place, Candidate[CheckDraft]]) -> Candidate[CheckDraft] | None:
    for unit in draft.coupled:
        other = by_place.get(_place(draft, unit))
        if other and draft.vehicle_id in other.draft.coupled:
            return other
    return None


def _join(pair: Pair, column: str, problems: list[Problem]) -> tuple[CheckDraft | None, CheckDraft | None]:
    first, second = (each.draft for each in pair)
    readings: dict[frozenset[Covered], PlatformReading] = {
        frozenset(each.covers): each for each in first.platform
    }
    for each in second.platform:
        standing = readings.setdefault(frozenset(each.covers), each)
        if standing.value_kg != each.value_kg:
            problems.append(_contradiction(pair, each.value_kg, standing.value_kg, column))
            return None, None
    whole = replace(first, platform=tuple(readings.values()))
    parts = split_combination(whole, {first.vehicle_id: first.display, second.vehicle_id: second.display})
    mine, other = (
        # Odometer, remark, purpose and what was typed are each line's own.
        replace(own, platform=part.platform, display=part.display, coupled=part.coupled)
        for own, part in zip((first, second), parts, strict=True)
    )
    return mine, other


def _contradiction(pair: Pair, here_kg: object, there_kg: object, column: str) -> Problem:
    first, second = pair
    return Problem(
        second.lines[0],
        column,
        second.draft.entered.get("reference", ""),
        f"Ticket {second.draft.ticket} is of both units together: {here_kg:.0f} kg here and {there_kg:.0f} kg in line "
        f"{first.lines[0]}. One weighing has one weight: find out which is right.",
    )
