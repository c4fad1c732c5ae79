from django.db import models

from fleetcal.fleet.models.columns import known, positive_kilograms
from fleetcal.metrology.eu_obw import SINGLE_LOAD, THREE_LOADS
from fleetcal.records.models.base import VehicleRecord, correction_has_reason, record_indexes, text_list


class LoadTest(models.TextChoices):
    THREE_LOADS = THREE_LOADS, "three loads"
    SINGLE_LOAD = SINGLE_LOAD, "single load"


class Stage(models.IntegerChoices):
    """Which accuracy the regulation asks of the system near full load (Annex I 8)."""

    ONE = 1, "stage 1: ±10 % near full load"
    TWO = 2, "stage 2: ±5 % near full load"


class Inspection(VehicleRecord):
    """An approved workshop's inspection report by Regulation (EU) 2019/1213, with the content that Article 4(5) asks for.

    Information: no standing rests on it.
    """

    vin = models.CharField("VIN or chassis number", max_length=24)
    place = models.CharField(max_length=80)
    test = models.CharField("kind of test", max_length=12, choices=LoadTest)
    passed = models.BooleanField()
    manipulation_found = models.BooleanField("manipulation, or traces of it, found", default=False)
    deficiencies = models.TextField(blank=True)
    remedies = models.TextField(blank=True)
    # A report of a failed inspection may name none: the regulation then gives two months.
    next_due_on = models.DateField("next inspection by, or valid until", null=True, blank=True)
    workshop_name = models.CharField("name of the workshop", max_length=80)
    workshop_address = models.CharField("address of the workshop", max_length=200)
    workshop_number = models.CharField("approval number of the workshop", max_length=48)
    inspector = models.CharField("inspector’s name or identification", max_length=80)
    device_mark = models.CharField("mark of the reference device", max_length=48)
    device_type = models.CharField("type of the reference device", max_length=48)
    device_number = models.CharField("identification number of the reference device", max_length=48)
    device_examination = models.CharField("number of its type-examination certificate", max_length=48)
    device_verified_on = models.DateField("date of its last verification")
    stage = models.PositiveSmallIntegerField(choices=Stage, default=Stage.TWO)
    # What the loads are a share of: the maximum laden mass, of the combination where a trailer was coupled.
    maximum_kg = positive_kilograms("maximum laden mass")
    # [[reference in kg, indicated in kg], …] as strings, three at most; empty where the report gives none.
    points = text_list(verbose_name="loads")
    natural_key = models.CharField(max_length=64, null=True, blank=True, unique=True)

    class Meta(VehicleRecord.Meta):
        abstract = False
        verbose_name = "inspection report"
        constraints = [
            correction_has_reason("inspection_correction_reason"),
            models.CheckConstraint(condition=known("test", LoadTest), name="inspection_test_known"),
            models.CheckConstraint(
                condition=models.Q(passed=False) | models.Q(next_due_on__isnull=False),
                name="inspection_passed_has_next",
            ),
            models.CheckConstraint(
                condition=models.Q(passed=True, manipulation_found=False) | ~models.Q(deficiencies=""),
                name="inspection_deficiency_named",
            ),
            # Not a list of numbers: Django cannot read that back from SQLite.
            models.CheckConstraint(
                condition=models.Q(stage__gte=Stage.ONE, stage__lte=Stage.TWO), name="inspection_stage_known"
            ),
        ]
        indexes = record_indexes("inspection")
