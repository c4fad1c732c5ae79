"""Derived results: a cache that can be rebuilt from the records at any time. Only a changed standing is itself a fact."""

from django.db import models

from fleetcal.fleet.models import Instrument, PolicyVersion, Vehicle
from fleetcal.ledger.facts import Fact


class Standing(models.Model):
    """How a vehicle stands on the day of its last evaluation, and until when that holds if nothing is recorded."""

    vehicle = models.OneToOneField(
        Vehicle, on_delete=models.CASCADE, primary_key=True, related_name="standing"
    )
    as_of = models.DateField()
    word = models.CharField(max_length=16)
    # The worst first; orders the due list.
    severity = models.PositiveSmallIntegerField()
    # [{code, subject, day, record, record_kind, ...}], see evaluation.standing.Reason
    reasons = models.JSONField(default=list)
    due_on = models.DateField(null=True)
    policy_version = models.ForeignKey(PolicyVersion, on_delete=models.SET_NULL, null=True, related_name="+")
    # {error_percent, expanded_percent, tolerance_percent, guard_percent, on}: the newest gross result, for the strip
    strip = models.JSONField(default=dict)
    # What the result rests on: how many entries the vehicle's stream has, and how many policy versions, certificates and findings.
    stream = models.CharField(max_length=64)
    seen_entries = models.BigIntegerField()
    seen_rules = models.BigIntegerField()
    # The first day on which the word can change without a new record.
    changes_on = models.DateField(null=True)
    evaluated_at = models.DateTimeField(auto_now=True)

    class Meta:
        indexes = [
            models.Index(fields=["word"], name="standing_by_word"),
            models.Index(fields=["changes_on"], name="standing_by_change"),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle}: {self.word}"


class Obligation(models.Model):
    """Something that is to be done for a vehicle, or for a reference instrument, by a day."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, null=True, related_name="obligations")
    instrument = models.ForeignKey(
        Instrument, on_delete=models.CASCADE, null=True, related_name="obligations"
    )
    action = models.CharField(max_length=24)
    # What asks for it, and with which numbers: see evaluation.standing.Obligation
    cause = models.CharField(max_length=32)
    # 0 is the vehicle; else the position of the group.
    subject = models.PositiveSmallIntegerField(default=0)
    due_on = models.DateField()
    # When it enters the planning window.
    opens_on = models.DateField()
    # Orders the due list by an index: by the vehicle's standing, then by what is to be done; instruments come last.
    urgency = models.PositiveSmallIntegerField()
    detail = models.JSONField(default=dict)
    # For information only: it does not change the standing.
    is_information = models.BooleanField(default=False)

    class Meta:
        indexes = [
            models.Index(fields=["urgency", "due_on", "id"], name="obligation_by_urgency"),
            models.Index(fields=["due_on", "id"], name="obligation_by_day"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(vehicle__isnull=False, instrument__isnull=True)
                | models.Q(vehicle__isnull=True, instrument__isnull=False),
                name="obligation_of_one_thing",
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle or self.instrument}: {self.action} by {self.due_on}"


class Sweep(models.Model):
    """The last time that the whole fleet was evaluated: one row. Entries up to *newest_entry* were seen then."""

    as_of = models.DateField()
    newest_entry = models.BigIntegerField()
    seen_rules = models.BigIntegerField()
    finished_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return f"all of {self.as_of}"


class StandingChange(Fact):
    """A flag raised or cleared: from which word to which, and why."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="standing_changes")
    as_of = models.DateField()
    before = models.CharField(max_length=16, blank=True)
    after = models.CharField(max_length=16)
    reasons = models.JSONField(default=list)
    recorded_at = models.DateTimeField()

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.vehicle}: {self.before or 'new'} → {self.after}"
