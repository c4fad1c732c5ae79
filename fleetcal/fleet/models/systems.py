from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from fleetcal.fleet.models.columns import KilogramField, known, positive_kilograms
from fleetcal.fleet.models.vehicles import Axle, Vehicle
from fleetcal.ledger.facts import Register


class WeighingMode(models.TextChoices):
    AXLE = "axle", "one value per axle"
    GROUP = "group", "one value per axle group"


class WeighingSystem(Register):
    """The display and what is wired to it. A vehicle has one at a time; the earlier ones stay on record."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="systems")
    serial = models.CharField("display serial number", max_length=48)
    fitted_on = models.DateField()
    removed_on = models.DateField(null=True, blank=True)
    division_kg = positive_kilograms("division of the display")
    axle_count = models.PositiveSmallIntegerField(
        "axles set in the display", validators=[MinValueValidator(1), MaxValueValidator(12)]
    )
    mode = models.CharField("weighing mode", max_length=8, choices=WeighingMode)
    supply_v = models.PositiveSmallIntegerField("supply voltage", choices=[(12, "12 V"), (24, "24 V")])
    fuse_a = models.DecimalField("fuse in the supply lead, A", max_digits=5, decimal_places=2)
    clock_set_at = models.DateTimeField("clock set at", null=True, blank=True)
    clock_offset_s = models.IntegerField("clock ahead of true time by, s", default=0)
    junction_units = models.JSONField("junction units", default=list, blank=True)
    alarm_gross_kg = KilogramField("alarm point, gross", null=True, blank=True)

    class Meta:
        ordering = ["vehicle_id", "-fitted_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle"], condition=models.Q(removed_on__isnull=True), name="system_one_at_a_time"
            ),
            models.CheckConstraint(condition=models.Q(division_kg__gt=0), name="system_division_positive"),
            models.CheckConstraint(condition=models.Q(supply_v__in=[12, 24]), name="system_supply_known"),
            models.CheckConstraint(condition=known("mode", WeighingMode), name="system_mode_known"),
            models.CheckConstraint(
                condition=models.Q(removed_on__isnull=True) | models.Q(removed_on__gte=models.F("fitted_on")),
                name="system_removed_after_fitted",
            ),
        ]

    def __str__(self) -> str:
        return f"display {self.serial}"


class Side(models.TextChoices):
    LEFT = "left", "left"
    RIGHT = "right", "right"
    CENTRE = "centre", "centre"


class Principle(models.TextChoices):
    STRAIN = "strain", "strain"
    DEFLECTION = "deflection", "deflection"
    PRESSURE = "pressure", "air pressure"


class Place(models.TextChoices):
    SPRING = "spring", "on the spring"
    BEAM = "beam", "on the axle beam"
    STRUT = "strut", "on a strut"
    AIR_LINE = "air line", "in the air line"


class Pivot(models.TextChoices):
    AHEAD = "ahead", "ahead of the spring's pivot"
    BEHIND = "behind", "behind the spring's pivot"
    NONE = "none", "does not matter here"


class Fixing(models.TextChoices):
    BONDED = "bonded", "bonded"
    BOLTED = "bolted", "bolted"
    PIPED = "piped", "piped"


class Sensor(Register):
    """A sensor in place. Replaced ones stay, with the day they came off."""

    system = models.ForeignKey(WeighingSystem, on_delete=models.PROTECT, related_name="sensors")
    axle = models.ForeignKey(Axle, on_delete=models.PROTECT, related_name="sensors")
    serial = models.CharField(max_length=48)
    channel = models.PositiveSmallIntegerField(validators=[MinValueValidator(1), MaxValueValidator(64)])
    side = models.CharField(max_length=8, choices=Side)
    principle = models.CharField(max_length=12, choices=Principle)
    place = models.CharField(max_length=12, choices=Place)
    in_line = models.BooleanField("in line with the chassis", default=True)
    pivot = models.CharField("mounted", max_length=8, choices=Pivot, default=Pivot.NONE)
    lead_towards_pivot = models.BooleanField("lead leaves towards the pivot", default=True)
    fixing = models.CharField(max_length=8, choices=Fixing)
    fitted_on = models.DateField()
    removed_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["system_id", "channel"]
        constraints = [
            models.UniqueConstraint(
                fields=["system", "channel"],
                condition=models.Q(removed_on__isnull=True),
                name="sensor_channel_unique",
            ),
            models.CheckConstraint(condition=models.Q(channel__gte=1), name="sensor_channel_from_one"),
            models.CheckConstraint(condition=known("side", Side), name="sensor_side_known"),
            models.CheckConstraint(condition=known("principle", Principle), name="sensor_principle_known"),
            models.CheckConstraint(condition=known("place", Place), name="sensor_place_known"),
            models.CheckConstraint(condition=known("pivot", Pivot), name="sensor_pivot_known"),
            models.CheckConstraint(condition=known("fixing", Fixing), name="sensor_fixing_known"),
        ]

    def __str__(self) -> str:
        return f"channel {self.channel}"
