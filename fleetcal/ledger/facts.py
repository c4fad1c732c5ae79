"""Rows that an entry carries. A fact is inserted once; a register row may change, and its newest entry carries it as it stands.

An entry's data holds ``{"rows": {table: [row, …]}}``: every column of every row that it wrote, so that verification needs to know
nothing about any table but that it is one of these.
"""

import os
import time
import uuid
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import cache
from typing import Any, ClassVar

from django.apps import apps
from django.core import checks
from django.db import models

from fleetcal.ledger.canonical import decimal_text, moment_text, plain


class NotErasable(TypeError):
    """An attempt to change or delete a fact. The message says to record a correction instead."""


def new_id() -> uuid.UUID:
    """A random identifier that sorts by time (UUID version 7, RFC 9562 §5.7), so that inserts stay at the end of the index."""
    milliseconds = time.time_ns() // 1_000_000
    value = milliseconds << 80 | int.from_bytes(os.urandom(10), "big")
    value = value & ~(0xF << 76) | 0x7 << 76
    return uuid.UUID(int=value & ~(0x3 << 62) | 0x2 << 62)


class Recorded(models.Model):
    """A row whose every column stands in the ledger entry that it points to."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    entry = models.ForeignKey("ledger.Entry", on_delete=models.PROTECT, related_name="+", editable=False)

    class Meta:
        abstract = True

    @classmethod
    def check(cls, **kwargs: Any) -> list[checks.CheckMessage]:
        floats = [f.name for f in cls._meta.concrete_fields if isinstance(f, models.FloatField)]
        return super().check(**kwargs) + [
            checks.Error(f"{cls.__name__}.{name}: a float cannot stand in the ledger", id="ledger.E001")
            for name in floats
        ]


class Register(Recorded):
    """A row that may change, each time with a new entry: a vehicle, a depot, an instrument."""

    class Meta:
        abstract = True


class FactQuerySet(models.QuerySet[Any]):
    def update(self, **kwargs: Any) -> int:
        raise NotErasable("A fact is never changed; record a correction that supersedes it.")

    def delete(self) -> tuple[int, dict[str, int]]:
        raise NotErasable("A fact is never deleted; record a correction that supersedes it.")


class Fact(Recorded):
    """A row that is inserted once and never changed. A correction is a new row."""

    objects: ClassVar[Any] = FactQuerySet.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise NotErasable("A fact is never changed; record a correction that supersedes it.")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise NotErasable("A fact is never deleted; record a correction that supersedes it.")


def recorded_models() -> Iterator[type[Recorded]]:
    return (model for model in apps.get_models() if issubclass(model, Recorded))


def fact_tables() -> list[str]:
    """The tables that only ever grow."""
    return [model._meta.db_table for model in recorded_models() if issubclass(model, Fact)]


def settle(row: Recorded) -> None:
    """Give every decimal of *row* its column's places, so that what is stored is what the entry says: databases round differently."""
    for attname, places in _decimals_of(type(row)):
        value = getattr(row, attname)
        if value is not None:
            setattr(row, attname, Decimal(decimal_text(Decimal(value), places)))


def payload_of(row: Recorded) -> dict[str, Any]:
    """Every column of *row* but its entry, in canonical form."""
    return {
        name: None if (value := getattr(row, attname)) is None else convert(value)
        for name, attname, convert in columns_of(type(row))
    }


@cache
def _decimals_of(model: type[Recorded]) -> tuple[tuple[str, int], ...]:
    fields = (f for f in model._meta.concrete_fields if isinstance(f, models.DecimalField))
    return tuple((field.attname, field.decimal_places) for field in fields)


@cache
def columns_of(model: type[Recorded]) -> tuple[tuple[str, str, Callable[[Any], Any]], ...]:
    """(name, attribute, conversion to canonical form) of every column but the entry."""
    fields = (f for f in model._meta.concrete_fields if f.name != "entry")
    return tuple((field.name, field.attname, _conversion_of(field)) for field in fields)


def _conversion_of(field: models.Field[Any, Any]) -> Callable[[Any], Any]:
    if isinstance(field, models.DecimalField):
        return lambda value: decimal_text(Decimal(value), field.decimal_places)
    if isinstance(field, models.DateTimeField):
        return lambda value: moment_text(field.to_python(value))
    if isinstance(field, models.DateField):
        return lambda value: field.to_python(value).isoformat()
    if isinstance(field, models.FileField):
        return lambda value: value.name
    if isinstance(field, (models.IntegerField, models.BooleanField)):
        return field.to_python
    return plain
