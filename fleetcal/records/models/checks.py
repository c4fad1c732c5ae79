from django.db import models

from fleetcal.fleet.models import Instrument, PolicyVersion, WeighingSystem
from fleetcal.fleet.models.columns import KilogramField, known
from fleetcal.records.models.base import (
    PartOfRecord,
    VehicleRecord,
    correction_has_reason,
    record_indexes,
    text_list,
)
from fleetcal.records.models.files import ImportedFile


class Purpose(models.TextChoices):
    CHECK = "check", "scheduled check"
    AS_FOUND = "as found", "as found, before an adjustment"
    AS_LEFT = "as left", "as left, after an adjustment"
    TRADE = "trade", "everyday ticket"


class Direction(models.TextChoices):
    FORWARD = "forward", "nose first"
    REVERSE = "reverse", "turned round"
    BOTH = "both", "mean of both directions"


class Word(models.TextChoices):
    """The four words of a decision with a guard band (ILAC-G8:09/2019)."""

    PASS = "pass", "pass"
    CONDITIONAL_PASS = "conditional pass", "conditional pass"
    CONDITIONAL_FAIL = "conditional fail", "conditional fail"
    FAIL = "fail", "fail"


class Check(VehicleRecord):
    """A comparison of the display with a reference instrument. *happened_at* is when the ticket was weighed."""

    system = models.ForeignKey(WeighingSystem, on_delete=models.PROTECT, null=True, related_name="checks")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="checks")
    policy_version = models.ForeignKey(PolicyVersion, on_delete=models.PROTECT, related_name="+")
    method_version = models.CharField(max_length=24)
    ticket = models.CharField("ticket number", max_length=48)
    purpose = models.CharField(max_length=12, choices=Purpose)
    displayed_at = models.DateTimeField("display read at", null=True, blank=True)
    direction = models.CharField(max_length=8, choices=Direction, blank=True)
    slope_percent = models.DecimalField("slope, %", max_digits=4, decimal_places=2, null=True, blank=True)
    brakes_released = models.BooleanField(null=True, blank=True)
    is_settled = models.BooleanField("display settled", null=True, blank=True)
    driver_in = models.BooleanField("driver in the cab", null=True, blank=True)
    fuel_used_kg = KilogramField("fuel used between the readings", default=0)
    temperature_c = models.DecimalField(
        "outside temperature, °C", max_digits=4, decimal_places=1, null=True, blank=True
    )
    lift_axles_up = text_list(verbose_name="lift axles up")
    # [{vehicle, registration}] of the units weighed with this one
    coupled = text_list()
    # [{value_kg, covers: [{vehicle, group}]}] in order; group 0 is the whole unit
    platform = text_list(verbose_name="platform readings")
    # [{subject, vehicle, values_kg: [...]}]; subject 0 is the gross
    display = text_list(verbose_name="display readings")
    load_percent = models.DecimalField(
        "load, % of maximum gross", max_digits=5, decimal_places=1, null=True, blank=True
    )
    # Why the record satisfies nothing (instrument out of date, …); empty when it is supported.
    unsupported = models.TextField(blank=True)
    counts = models.BooleanField("counts for the schedule", default=False)
    why_not_counting = models.TextField(blank=True)
    file = models.ForeignKey(
        ImportedFile, on_delete=models.PROTECT, null=True, blank=True, related_name="checks"
    )
    line = models.PositiveIntegerField("line of the file", null=True, blank=True)
    # What makes a ticket the same ticket when it is imported again; null on a correction of the same ticket.
    natural_key = models.CharField(max_length=64, null=True, blank=True, unique=True)

    class Meta(VehicleRecord.Meta):
        abstract = False
        verbose_name = "comparison check"
        constraints = [
            correction_has_reason("check_correction_reason"),
            models.CheckConstraint(condition=known("purpose", Purpose), name="check_purpose_known"),
            models.CheckConstraint(
                condition=models.Q(counts=False) | models.Q(unsupported=""), name="check_counts_if_supported"
            ),
        ]
        indexes = [
            *record_indexes("check"),
            models.Index(fields=["instrument", "happened_at"], name="check_by_instrument"),
        ]


class CheckResult(PartOfRecord):
    """Error, uncertainty and decision for the gross (subject 0) or for one axle group, with its budget line by line."""

    # "check" is a method of every model, so the column is called after the thing in full.
    comparison = models.ForeignKey(Check, on_delete=models.PROTECT, related_name="results")
    subject = models.PositiveSmallIntegerField()
    is_separable = models.BooleanField(default=True)
    reference_kg = KilogramField(null=True)
    indicated_kg = KilogramField(null=True)
    error_kg = KilogramField(null=True)
    u_kg = KilogramField(null=True)
    expanded_kg = KilogramField(null=True)
    k = models.DecimalField(max_digits=6, decimal_places=3, null=True)
    degrees_of_freedom = models.DecimalField(max_digits=9, decimal_places=1, null=True)
    u_shared_kg = KilogramField(null=True)
    readings = models.PositiveSmallIntegerField(default=0)
    maximum_kg = KilogramField(null=True)
    limit_kg = KilogramField(null=True)
    acceptance_limit_kg = KilogramField(null=True)
    word = models.CharField(max_length=16, choices=Word, blank=True)
    conformance_probability = models.DecimalField(max_digits=6, decimal_places=5, null=True)
    budget = models.JSONField(default=list, blank=True)

    class Meta:
        ordering = ["comparison_id", "subject"]
        constraints = [
            models.UniqueConstraint(fields=["comparison", "subject"], name="check_result_subject_unique"),
            models.CheckConstraint(condition=known("word", Word, blank=True), name="check_result_word_known"),
        ]
