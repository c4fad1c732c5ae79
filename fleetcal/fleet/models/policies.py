from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from fleetcal.fleet.models.columns import KilogramField, known
from fleetcal.fleet.models.vehicles import Suspension, UnitKind
from fleetcal.ledger.facts import Fact, Register


class ToleranceBasis(models.TextChoices):
    REFERENCE = "reference", "% of the reference weight"
    MAXIMUM = "maximum", "% of the rated maximum"


class Rule(models.TextChoices):
    SIMPLE = "simple", "simple acceptance"
    GUARDED = "guarded", "guard band, four words"
    PROBABILITY = "probability", "probability of conformance"


class Policy(Register):
    """What a set of vehicles is held to. The most particular one that fits a vehicle counts; one fits all."""

    name = models.CharField(max_length=80, unique=True)
    unit_kind = models.CharField("for", max_length=8, choices=UnitKind, blank=True)
    suspension = models.CharField("with suspension", max_length=8, choices=Suspension, blank=True)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "policies"
        constraints = [
            models.UniqueConstraint(fields=["unit_kind", "suspension"], name="policy_scope_unique"),
            models.CheckConstraint(
                condition=known("unit_kind", UnitKind, blank=True), name="policy_kind_known"
            ),
            models.CheckConstraint(
                condition=known("suspension", Suspension, blank=True), name="policy_suspension_known"
            ),
        ]

    def __str__(self) -> str:
        return self.name


def percent(
    name: str, default: str, places: int = 2, least: float = 0, most: float = 100
) -> models.DecimalField:
    return models.DecimalField(
        name,
        max_digits=5,
        decimal_places=places,
        default=default,
        validators=[MinValueValidator(least), MaxValueValidator(most)],
    )


def days(name: str, default: int | None, **kwargs: object) -> models.PositiveSmallIntegerField:
    return models.PositiveSmallIntegerField(name, default=default, **kwargs)  # type: ignore[arg-type]


class PolicyVersion(Fact):
    """One version of a policy. It counts from its day until the next version's; it is never edited."""

    policy = models.ForeignKey(Policy, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField("version")
    effective_from = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    note = models.TextField("why this version", blank=True)

    # tolerance and decision
    gross_percent = percent("tolerance, gross, ±%", "3.00", least=0.01)
    group_percent = percent("tolerance, axle group, ±%", "5.00", least=0.01)
    basis = models.CharField(
        "tolerance is", max_length=12, choices=ToleranceBasis, default=ToleranceBasis.MAXIMUM
    )
    floor_kg = KilogramField("tolerance is at least", default=0)
    rule = models.CharField("decision rule", max_length=12, choices=Rule, default=Rule.GUARDED)
    guard_ratio = models.DecimalField(
        "guard band, times U",
        max_digits=4,
        decimal_places=2,
        default="1.00",
        validators=[MinValueValidator(0), MaxValueValidator(3)],
    )
    conformance_probability = models.DecimalField(
        "probability of conformance asked for",
        max_digits=4,
        decimal_places=3,
        default="0.950",
        validators=[MinValueValidator(0.5), MaxValueValidator(0.999)],
    )
    repeatability_percent = percent("repeatability assumed until pooled, % of maximum", "0.30")

    # checks
    check_min_load_percent = percent("a check needs at least, % of maximum gross", "90.00")
    check_min_readings = models.PositiveSmallIntegerField(
        "settled readings in a check", default=2, validators=[MinValueValidator(1)]
    )
    longest_interval_days = days("longest interval, days", 365)
    shortest_interval_days = days("shortest interval, days", 30)
    planning_window_days = days("planning window, days", 28)
    first_check_days = days("first check after a calibration, days", 180)
    early_check_days = days("early check after an excused bond, days", 30)
    conditional_recheck_days = days("recheck after a conditional pass, days", 90)
    repair_check_days = days("check after suspension work, days", 14)
    risk_limit_percent = percent("limit on the risk of being out of tolerance, %", "5.00", least=0.1, most=50)
    longest_distance_km = models.PositiveIntegerField("longest distance, km", null=True, blank=True)
    trade_tickets_count = models.BooleanField("everyday tickets count as checks", default=False)
    follows_eu_cadence = models.BooleanField("show the two-yearly cadence of EU 2019/1213", default=False)

    # calibration
    calibration_min_gross_percent = percent("loaded gross at least, % of maximum gross", "90.00")
    steer_increase = models.DecimalField(
        "steer axle heavier loaded by at least", max_digits=7, decimal_places=1, default="900.0"
    )
    steer_increase_unit = models.CharField(max_length=2, choices=[("kg", "kg"), ("lb", "lb")], default="kg")
    axle_warn_percent = percent("warn below, % of the axle's maximum", "70.00")
    max_slope_percent = percent("site slope at most, %", "1.00")
    max_wind_m_s = percent("wind at most, m/s", "8.00")

    # installation
    cure_hours = models.PositiveSmallIntegerField("full bond after, h", default=72)
    min_bond_temperature = models.DecimalField(
        "bonding surface at least", max_digits=5, decimal_places=2, default="60.00"
    )
    min_bond_temperature_unit = models.CharField(
        max_length=1, choices=[("F", "°F"), ("C", "°C")], default="F"
    )
    min_press_minutes = models.PositiveSmallIntegerField("pressed for at least, min", default=5)
    fuse_a = models.DecimalField("fuse in the supply lead, A", max_digits=5, decimal_places=2, default="3.00")
    alarm_margin_percent = percent("alarm point at most, % of the plate", "100.00")
    # Codes of the installation items that must be settled before a calibration may start; records.installation names them.
    required_items = models.JSONField(default=list, blank=True)

    class Meta:
        ordering = ["policy_id", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["policy", "number"], name="policy_version_unique"),
            models.CheckConstraint(condition=known("basis", ToleranceBasis), name="policy_basis_known"),
            models.CheckConstraint(condition=known("rule", Rule), name="policy_rule_known"),
            models.CheckConstraint(
                condition=models.Q(gross_percent__gt=0, group_percent__gt=0), name="policy_tolerance_positive"
            ),
            models.CheckConstraint(
                condition=models.Q(shortest_interval_days__lte=models.F("longest_interval_days")),
                name="policy_shortest_before_longest",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.policy.name}, version {self.number}"


class Effect(models.TextChoices):
    """What suspension work means for the weighing, mildest first."""

    NONE = "none", "nothing"
    CHECK = "check", "check"
    RECALIBRATE_GROUP = "recalibrate group", "recalibrate the group"
    RECALIBRATE_VEHICLE = "recalibrate vehicle", "recalibrate the vehicle"


class Work(models.TextChoices):
    REPLACED = "replaced", "replaced"
    ADJUSTED = "adjusted", "adjusted, retightened or repaired"


class RepairRule(Fact):
    """What work on a component invalidates, under one version of a policy."""

    version = models.ForeignKey(PolicyVersion, on_delete=models.PROTECT, related_name="repair_rules")
    component = models.CharField(max_length=48)
    work = models.CharField(max_length=12, choices=Work)
    effect = models.CharField(max_length=24, choices=Effect)

    class Meta:
        ordering = ["version_id", "component", "work"]
        constraints = [
            models.UniqueConstraint(fields=["version", "component", "work"], name="repair_rule_unique"),
            models.CheckConstraint(condition=known("work", Work), name="repair_rule_work_known"),
            models.CheckConstraint(condition=known("effect", Effect), name="repair_rule_effect_known"),
        ]

    def __str__(self) -> str:
        return f"{self.component} {self.work}: {self.effect}"
