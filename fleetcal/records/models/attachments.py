from django.conf import settings
from django.db import models

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.facts import Fact


class Attachment(Fact):
    """A photo or document that belongs to a record. What is kept and digested is the file without its location data."""

    # Of one vehicle's record, or of an instrument's certificate when there is no vehicle.
    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, null=True, related_name="attachments")
    record = models.UUIDField(db_index=True)
    name = models.CharField(max_length=200)
    media_type = models.CharField(max_length=48)
    size = models.PositiveIntegerField()
    sha256 = models.CharField("SHA-256", max_length=64)
    file = models.FileField(upload_to="%Y/%m")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return self.name
