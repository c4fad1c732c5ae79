"""Finding out which records the services would refuse, by writing them and taking everything back."""

from collections.abc import Callable, Sequence
from typing import Any

from django.db import transaction

from fleetcal.importing.findings import Candidate
from fleetcal.ledger.refusals import Refused

Write = Callable[[Sequence[Candidate[Any]]], object]


class _TakeBack(Exception):
    pass


def refusals_of(candidates: Sequence[Candidate[Any]], write: Write) -> dict[int, Refused]:
    """{place in *candidates*: why it is refused}. Nothing stays written.

    Whole batches are tried and halved where they are refused, so that a few bad ones among many cost little.
    """
    found: dict[int, Refused] = {}
    try:
        with transaction.atomic():
            _try(candidates, 0, len(candidates), write, found)
            raise _TakeBack
    except _TakeBack:
        return found


def _try(
    candidates: Sequence[Candidate[Any]], start: int, stop: int, write: Write, found: dict[int, Refused]
) -> None:
    if start == stop:
        return
    try:
        with transaction.atomic():
            write(candidates[start:stop])
    except Refused as refusal:
        if stop - start == 1:
            found[start] = refusal
            return
        middle = (start + stop) // 2
        _try(candidates, start, middle, write, found)
        _try(candidates, middle, stop, write, found)
