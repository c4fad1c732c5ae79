"""Checking a row before the ledger takes its values, and writing it so that a race is a refusal and not a fault."""

from collections.abc import Callable, Collection, Sequence
from typing import TypeVar

from django.core.exceptions import NON_FIELD_ERRORS, FieldDoesNotExist, ValidationError
from django.db import IntegrityError

from fleetcal.ledger.facts import Recorded
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft, record_many

Row = TypeVar("Row", bound=Recorded)


def checked(row: Row, *, without: Collection[str] = ()) -> Row:
    """*row*, if its values and its uniqueness hold. *without* names columns that point to rows not yet written."""
    try:
        row.full_clean(exclude={"entry", *without})
    except ValidationError as error:
        raise _refusal(row, error) from error
    return row


def checked_alone(row: Row, *, without: Collection[str] = ()) -> Row:
    """The same without a query, for many rows at once: the caller looks after uniqueness."""
    try:
        row.clean()
        row.clean_fields(exclude={"entry", *without})
    except ValidationError as error:
        raise _refusal(row, error) from error
    return row


def write(drafts: Sequence[Draft], progress: Callable[[int], None] | None = None) -> None:
    try:
        record_many(drafts, progress)
    except IntegrityError as error:
        raise Refused(
            "Somebody recorded the same thing at this moment. Nothing of yours was kept: look, then try again."
        ) from error


def _refusal(row: Recorded, error: ValidationError) -> Refused:
    field, messages = next(iter(error.message_dict.items()))
    if field == NON_FIELD_ERRORS:
        return Refused(messages[0])
    try:
        label = str(getattr(row._meta.get_field(field), "verbose_name", field))
    except FieldDoesNotExist:
        label = field
    return Refused(f"{label[:1].upper()}{label[1:]}: {messages[0]}", field=field)
