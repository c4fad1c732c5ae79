from django.db import models

from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.columns import known
from fleetcal.fleet.models.policies import Effect, Work
from fleetcal.records.models.base import VehicleRecord, correction_has_reason, record_indexes, text_list
from fleetcal.records.models.files import ImportedFile


class Repair(VehicleRecord):
    """Suspension work and what it means for the weighing, by the policy in force when it was done."""

    policy_version = models.ForeignKey(PolicyVersion, on_delete=models.PROTECT, related_name="+")
    component = models.CharField(max_length=48)
    work = models.CharField(max_length=12, choices=Work)
    effect = models.CharField(max_length=24, choices=Effect)
    axle = models.PositiveSmallIntegerField(null=True, blank=True)
    # Positions of the groups concerned: work on one axle concerns its whole group.
    groups = text_list()
    workshop = models.CharField(max_length=80, blank=True)
    parts = models.CharField(max_length=200, blank=True)
    bonded_at = models.DateTimeField("bonded again at", null=True, blank=True)
    file = models.ForeignKey(
        ImportedFile, on_delete=models.PROTECT, null=True, blank=True, related_name="repairs"
    )
    line = models.PositiveIntegerField("line of the file", null=True, blank=True)
    natural_key = models.CharField(max_length=64, null=True, blank=True, unique=True)

    class Meta(VehicleRecord.Meta):
        abstract = False
        verbose_name = "suspension repair"
        constraints = [
            correction_has_reason("repair_correction_reason"),
            models.CheckConstraint(condition=known("work", Work), name="repair_work_known"),
            models.CheckConstraint(condition=known("effect", Effect), name="repair_effect_known"),
        ]
        indexes = record_indexes("repair")
