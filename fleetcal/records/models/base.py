from datetime import datetime
from typing import Any, ClassVar, Self

from django.conf import settings
from django.db import models

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.facts import Fact, FactQuerySet


class RecordQuerySet(FactQuerySet):
    def standing(self, known_at: datetime | None = None) -> Self:
        """The records that count at *known_at* (now): neither superseded nor withdrawn by then."""
        if known_at is None:
            return self.filter(superseded_by__isnull=True, withdrawn=False)
        later = models.Q(superseded_by__isnull=True) | models.Q(superseded_by__recorded_at__gt=known_at)
        return self.filter(later, recorded_at__lte=known_at, withdrawn=False)


class VehicleRecord(Fact):
    """A fact about one vehicle. It happened at one moment and was recorded at another; a correction supersedes it with a reason."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="%(class)ss")
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    # A correction that takes the record back altogether.
    withdrawn = models.BooleanField(default=False)
    reason = models.TextField("reason for the correction", blank=True)
    note = models.TextField(blank=True)
    odometer_km = models.PositiveIntegerField(null=True, blank=True)
    # As typed: the unit of mass, and each value under the name of its column.
    unit = models.CharField(max_length=2, choices=[("kg", "kg"), ("lb", "lb"), ("t", "t")], default="kg")
    entered = models.JSONField(default=dict, blank=True)

    objects: ClassVar[Any] = RecordQuerySet.as_manager()

    class Meta:
        abstract = True
        ordering = ["happened_at", "id"]

    def __str__(self) -> str:
        return f"{self._meta.verbose_name} of {self.happened_at:%Y-%m-%d}"


def correction_has_reason(name: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=models.Q(supersedes__isnull=True) | ~models.Q(reason=""), name=name
    )


def record_indexes(name: str) -> list[models.Index]:
    return [models.Index(fields=["vehicle", "happened_at"], name=f"{name}_by_vehicle")]


class PartOfRecord(Fact):
    """A line of a record, written with it in the same entry."""

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self._meta.verbose_name} {self.pk}"


def text_list(**kwargs: Any) -> models.JSONField:
    return models.JSONField(default=list, blank=True, **kwargs)
