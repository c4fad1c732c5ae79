from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models

from fleetcal.fleet.models.columns import known, positive_kilograms
from fleetcal.fleet.models.depots import Depot
from fleetcal.ledger.facts import Fact, Register


class InstrumentKind(models.TextChoices):
    WEIGHBRIDGE = "weighbridge", "weighbridge"
    PADS = "pads", "pair of axle weigh pads"


class ScaleClass(models.TextChoices):
    III = "III", "III (OIML R 76)"
    IIII = "IIII", "IIII (OIML R 76)"
    III_L = "III L", "III L (NIST Handbook 44)"
    CERTIFICATE = "certificate", "by its certificate"


class Instrument(Register):
    """A reference instrument: what the display is compared with."""

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=12, choices=InstrumentKind)
    scale_class = models.CharField("accuracy class", max_length=12, choices=ScaleClass)
    e_kg = positive_kilograms("verification scale interval e")
    d_kg = positive_kilograms("division d")
    capacity_kg = positive_kilograms("capacity (Max)")
    owner = models.CharField(max_length=80)
    serial = models.CharField("serial number", max_length=48, blank=True)
    depot = models.ForeignKey(
        Depot, on_delete=models.PROTECT, null=True, blank=True, related_name="instruments"
    )
    has_level_approach = models.BooleanField("approach lies in the plane of the platform", default=False)
    slope_percent = models.DecimalField(
        "slope of the site, %", max_digits=4, decimal_places=2, default=0, validators=[MinValueValidator(0)]
    )
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(condition=known("kind", InstrumentKind), name="instrument_kind_known"),
            models.CheckConstraint(condition=known("scale_class", ScaleClass), name="instrument_class_known"),
            models.CheckConstraint(
                condition=models.Q(e_kg__gt=0, d_kg__gt=0), name="instrument_divisions_positive"
            ),
            models.CheckConstraint(
                condition=models.Q(capacity_kg__gt=models.F("e_kg")),
                name="instrument_capacity_above_interval",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Certificate(Fact):
    """What says that an instrument may be used as a reference, from when and until when."""

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="certificates")
    number = models.CharField(max_length=48)
    issuer = models.CharField(max_length=80)
    verified_on = models.DateField()
    valid_until = models.DateField()
    k = models.DecimalField("coverage factor k", max_digits=5, decimal_places=3, default=2)
    # [[load in kg, expanded uncertainty in kg], …] as strings; empty where the class speaks for the instrument.
    points = models.JSONField("expanded uncertainty by load", default=list, blank=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["instrument_id", "-verified_on"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(valid_until__gte=models.F("verified_on")),
                name="certificate_valid_after_verified",
            ),
            models.UniqueConstraint(fields=["instrument", "number"], name="certificate_number_unique"),
        ]

    def __str__(self) -> str:
        return self.number


class InstrumentFinding(Fact):
    """A reference instrument was found wrong: every record that rests on it in this time is reopened."""

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="findings")
    wrong_from = models.DateField()
    wrong_until = models.DateField()
    found_on = models.DateField()
    what = models.TextField("what was found")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["instrument_id", "-found_on"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(wrong_until__gte=models.F("wrong_from")), name="finding_until_after_from"
            )
        ]

    def __str__(self) -> str:
        return f"{self.instrument} wrong from {self.wrong_from}"
