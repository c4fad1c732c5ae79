from django.conf import settings
from django.db import models

from fleetcal.fleet.models import Instrument, PolicyVersion, Vehicle, WeighingSystem
from fleetcal.fleet.models.columns import KilogramField
from fleetcal.records.models.base import (
    PartOfRecord,
    VehicleRecord,
    correction_has_reason,
    record_indexes,
    text_list,
)


class LoadState(models.TextChoices):
    EMPTY = "empty", "empty"
    LOADED = "loaded", "loaded"


class Method(models.TextChoices):
    PADS = "pads", "axle on a pair of pads"
    BRIDGE = "bridge", "weighbridge by difference"


class Worksheet(models.Model):
    """A calibration in progress. Not a fact: it changes until it is concluded, and then the calibration says everything.

    *state* holds conditions, readings, ticks and the two signed stops; `records.worksheet` gives its shape.
    """

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="worksheets")
    started_at = models.DateTimeField()
    started_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    changed_at = models.DateTimeField(auto_now=True)
    state = models.JSONField(default=dict)
    # Counts the changes, so that two people on one vehicle notice each other.
    revision = models.PositiveIntegerField(default=0)
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle"],
                condition=models.Q(closed_at__isnull=True),
                name="worksheet_one_open_per_vehicle",
            )
        ]

    def __str__(self) -> str:
        return f"worksheet of {self.vehicle}"


class Calibration(VehicleRecord):
    """A concluded calibration, accepted or not. *happened_at* is when it was concluded."""

    system = models.ForeignKey(WeighingSystem, on_delete=models.PROTECT, related_name="calibrations")
    policy_version = models.ForeignKey(PolicyVersion, on_delete=models.PROTECT, related_name="+")
    method_version = models.CharField(max_length=24)
    started_at = models.DateTimeField()
    lift_axles_up = text_list(verbose_name="lift axles up")
    slope_percent = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)
    wind_m_s = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    brakes_released = models.BooleanField(default=False)
    ride_height_settled = models.BooleanField(default=False)
    is_level = models.BooleanField("level, all axles of a group in one plane", default=False)
    stop_a_at = models.DateTimeField("tares entered and zero taken at", null=True, blank=True)
    stop_a_by = models.CharField(max_length=150, blank=True)
    stop_b_at = models.DateTimeField("spans entered and taught at", null=True, blank=True)
    stop_b_by = models.CharField(max_length=150, blank=True)
    # The steps ticked at each stop, as codes.
    ticks = text_list()
    accepted = models.BooleanField()
    why_not = models.TextField("why not accepted", blank=True)
    division_kg = KilogramField()
    # {state: {chi_square, degrees_of_freedom, probability, suspects}}, numbers as strings
    consistency = models.JSONField(default=dict, blank=True)
    covers_groups = text_list(verbose_name="groups calibrated")

    class Meta(VehicleRecord.Meta):
        abstract = False
        constraints = [
            correction_has_reason("calibration_correction_reason"),
            models.CheckConstraint(
                condition=models.Q(accepted=True) | ~models.Q(why_not="") | models.Q(withdrawn=True),
                name="calibration_refusal_has_reason",
            ),
            models.CheckConstraint(
                condition=models.Q(accepted=False)
                | models.Q(stop_a_at__isnull=False, stop_b_at__isnull=False),
                name="calibration_accepted_has_stops",
            ),
            models.CheckConstraint(
                condition=models.Q(stop_b_at__isnull=True) | models.Q(stop_b_at__gt=models.F("stop_a_at")),
                name="calibration_stops_in_order",
            ),
        ]
        indexes = record_indexes("calibration")


class CalibrationReading(PartOfRecord):
    calibration = models.ForeignKey(Calibration, on_delete=models.PROTECT, related_name="readings")
    number = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=8, choices=LoadState)
    method = models.CharField(max_length=8, choices=Method)
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="calibration_readings")
    axles = text_list()
    left_kg = KilogramField(null=True, blank=True)
    right_kg = KilogramField(null=True, blank=True)
    value_kg = KilogramField()
    read_at = models.DateTimeField()

    class Meta:
        ordering = ["calibration_id", "number"]


class CalibrationAxle(PartOfRecord):
    """Tare and span of one axle, as solved and as entered in the display."""

    calibration = models.ForeignKey(Calibration, on_delete=models.PROTECT, related_name="axles")
    axle = models.PositiveSmallIntegerField()
    group = models.PositiveSmallIntegerField()
    empty_kg = KilogramField()
    loaded_kg = KilogramField(null=True)
    u_empty_kg = KilogramField()
    u_loaded_kg = KilogramField(null=True)
    span_kg = KilogramField(null=True)
    u_span_kg = KilogramField(null=True)
    tare_entered_kg = KilogramField()
    span_entered_kg = KilogramField(null=True)

    class Meta:
        ordering = ["calibration_id", "axle"]


class AcceptanceOutcome(PartOfRecord):
    """One acceptance rule with its numbers, as judged when the calibration was concluded."""

    calibration = models.ForeignKey(Calibration, on_delete=models.PROTECT, related_name="outcomes")
    number = models.PositiveSmallIntegerField()
    rule = models.CharField(max_length=32)
    subject = models.CharField(max_length=32, blank=True)
    applies = models.BooleanField(default=True)
    met = models.BooleanField(null=True)
    is_warning = models.BooleanField(default=False)
    value = models.DecimalField(max_digits=14, decimal_places=4, null=True)
    limit = models.DecimalField(max_digits=14, decimal_places=4, null=True)
    missing = models.DecimalField(max_digits=14, decimal_places=4, null=True)
    excuse = models.TextField(blank=True)
    excused_by = models.CharField(max_length=150, blank=True)

    class Meta:
        ordering = ["calibration_id", "number"]
