from django.db import models

from fleetcal.fleet.models import Sensor, WeighingSystem
from fleetcal.fleet.models.columns import KilogramField
from fleetcal.records.models.base import (
    PartOfRecord,
    VehicleRecord,
    correction_has_reason,
    record_indexes,
    text_list,
)


class Installation(VehicleRecord):
    """How the weighing system was fitted. What it leaves open, by the policy, keeps a calibration from starting."""

    system = models.ForeignKey(WeighingSystem, on_delete=models.PROTECT, related_name="installations")
    clock_is_set = models.BooleanField("clock set", default=False)
    supply_fused = models.BooleanField("supply fused close to the battery", default=False)
    units_sheltered = models.BooleanField(
        "junction units sheltered and within the leads' reach", default=False
    )
    channels_recognised = models.BooleanField(
        "every channel recognised, one connected at a time", default=False
    )
    alarm_gross_kg = KilogramField("alarm point, gross", null=True, blank=True)
    # {axle number: kg}, as strings
    alarm_axles_kg = models.JSONField("alarm points, axles", default=dict, blank=True)
    # Codes of the items that stood open when this was recorded.
    open_items = text_list()

    class Meta(VehicleRecord.Meta):
        abstract = False
        constraints = [correction_has_reason("installation_correction_reason")]
        indexes = record_indexes("installation")


class SensorBond(PartOfRecord):
    """How one sensor was put in place."""

    installation = models.ForeignKey(Installation, on_delete=models.PROTECT, related_name="bonds")
    sensor = models.ForeignKey(Sensor, on_delete=models.PROTECT, related_name="bonds")
    bonded_at = models.DateTimeField("bonded or fixed at", null=True, blank=True)
    surface_ready = models.BooleanField("faces flat, bare, clean and dry", default=False)
    surface_temperature = models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True)
    temperature_unit = models.CharField(max_length=1, choices=[("F", "°F"), ("C", "°C")], default="C")
    was_warmed = models.BooleanField("warmed first", default=False)
    pressed_min = models.DecimalField(
        "pressed for, min", max_digits=5, decimal_places=1, null=True, blank=True
    )
    was_supported = models.BooleanField("supported while the bond cured", default=False)
    travel_is_free = models.BooleanField("nothing touches it over the spring's whole travel", default=False)
    lead_has_slack = models.BooleanField("lead has just the slack that travel needs", default=False)
    lead_is_clear = models.BooleanField("lead clear of sharp and hot parts", default=False)
    lead_is_labelled = models.BooleanField("lead labelled at both ends", default=False)


class InstallationItem(models.TextChoices):
    """What an installation settles; a policy names those that a calibration waits for."""

    CHANNELS = "channels", "every channel present, none twice"
    RECOGNISED = "recognised", "channels recognised one at a time"
    AXLES = "axles", "axle count and mode match the vehicle"
    PAIRS = "pairs", "two sensors on each steel-sprung axle, one each side"
    SURFACE = "surface", "mating faces flat, bare, clean and dry"
    TEMPERATURE = "temperature", "bonding surface warm enough"
    PRESSED = "pressed", "pressed long enough"
    SUPPORTED = "supported", "supported while curing"
    TRAVEL = "travel", "free over the spring's travel"
    LEADS = "leads", "leads slack, clear and labelled"
    UNITS = "units", "junction units sheltered and reachable"
    SUPPLY = "supply", "supply voltage and fuse"
    CLOCK = "clock", "clock set"
    ALARM_GROSS = "alarm gross", "gross alarm point not above the plate"
    ALARM_AXLES = "alarm axles", "axle alarm points not above the plate"
    CURED = "cured", "bond cured"
