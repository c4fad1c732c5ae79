from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models

from fleetcal.fleet.models.columns import known, positive_kilograms
from fleetcal.fleet.models.depots import Depot
from fleetcal.ledger.facts import Register


class UnitKind(models.TextChoices):
    RIGID = "rigid", "rigid"
    TRACTOR = "tractor", "tractor"
    TRAILER = "trailer", "trailer"


class Suspension(models.TextChoices):
    STEEL = "steel", "steel leaf"
    AIR = "air", "air"
    RUBBER = "rubber", "rubber"
    MIXED = "mixed", "mixed"


def plate_key(registration: str) -> str:
    """A registration as people type it, reduced to what distinguishes it: its capital letters and digits, those of any alphabet."""
    return "".join(character for character in registration.upper() if character.isalnum())


class VehicleQuerySet(models.QuerySet["Vehicle"]):
    def in_service(self) -> "VehicleQuerySet":
        return self.filter(retired_on__isnull=True)

    def with_plate(self, registration: str) -> "VehicleQuerySet":
        return self.filter(plate_key=plate_key(registration))


class Vehicle(Register):
    """One unit: a rigid, a tractor or a trailer. Its id is the name of its stream in the ledger."""

    fleet_number = models.CharField(max_length=24, unique=True)
    registration = models.CharField(max_length=16, help_text="As on the number plate.")
    plate_key = models.CharField(max_length=16, unique=True, editable=False)
    vin = models.CharField(
        "VIN",
        max_length=17,
        unique=True,
        null=True,
        blank=True,
        validators=[
            RegexValidator(r"^[A-HJ-NPR-Z0-9]{17}$", "A VIN has 17 letters and digits, without I, O and Q.")
        ],
    )
    kind = models.CharField(max_length=8, choices=UnitKind)
    depot = models.ForeignKey(Depot, on_delete=models.PROTECT, related_name="vehicles")
    max_gross_kg = positive_kilograms("maximum gross weight (rating plate)")
    registered_on = models.DateField(null=True, blank=True)
    in_service_on = models.DateField()
    retired_on = models.DateField(null=True, blank=True)

    objects = VehicleQuerySet.as_manager()

    class Meta:
        ordering = ["fleet_number"]
        constraints = [
            models.CheckConstraint(condition=known("kind", UnitKind), name="vehicle_kind_known"),
            models.CheckConstraint(condition=models.Q(max_gross_kg__gt=0), name="vehicle_gross_positive"),
            models.CheckConstraint(
                condition=models.Q(retired_on__isnull=True)
                | models.Q(retired_on__gte=models.F("in_service_on")),
                name="vehicle_retired_after_service",
            ),
        ]

    def __str__(self) -> str:
        return self.registration

    def clean(self) -> None:
        self.registration = " ".join(self.registration.upper().split())
        self.vin = (self.vin or "").upper().strip() or None
        self.plate_key = plate_key(self.registration)

    @property
    def stream(self) -> str:
        return str(self.pk)


class AxleGroup(Register):
    """Axles that share load through a common suspension. Error is judged per group, never per axle of a group."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="groups")
    position = models.PositiveSmallIntegerField("position, from the front", validators=[MinValueValidator(1)])
    suspension = models.CharField(max_length=8, choices=Suspension)
    max_kg = positive_kilograms("maximum of the group")

    class Meta:
        ordering = ["vehicle_id", "position"]
        constraints = [
            models.UniqueConstraint(fields=["vehicle", "position"], name="group_position_unique"),
            models.CheckConstraint(condition=known("suspension", Suspension), name="group_suspension_known"),
            models.CheckConstraint(condition=models.Q(max_kg__gt=0), name="group_max_positive"),
        ]

    def __str__(self) -> str:
        return f"group {self.position}"


class Axle(Register):
    group = models.ForeignKey(AxleGroup, on_delete=models.PROTECT, related_name="axles")
    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="axles")
    number = models.PositiveSmallIntegerField(
        "number, from the front", validators=[MinValueValidator(1), MaxValueValidator(12)]
    )
    max_kg = positive_kilograms("maximum of the axle (rating plate)")
    spacing_mm = models.PositiveIntegerField("distance to the axle in front, mm", null=True, blank=True)
    is_steered = models.BooleanField("steered", default=False)
    is_driven = models.BooleanField("driven", default=False)
    is_lift = models.BooleanField("lift axle", default=False)
    has_twin_tyres = models.BooleanField("twin tyres", default=False)

    class Meta:
        ordering = ["vehicle_id", "number"]
        constraints = [
            models.UniqueConstraint(fields=["vehicle", "number"], name="axle_number_unique"),
            models.CheckConstraint(condition=models.Q(max_kg__gt=0), name="axle_max_positive"),
            models.CheckConstraint(condition=models.Q(number__gte=1), name="axle_number_from_one"),
            models.CheckConstraint(
                condition=models.Q(number=1) | models.Q(spacing_mm__gt=0), name="axle_spacing_behind_first"
            ),
        ]

    def __str__(self) -> str:
        return f"axle {self.number}"
