from django.conf import settings
from django.db import models

from fleetcal.fleet.models import Instrument
from fleetcal.ledger.facts import Fact, Register


class TicketSource(Register):
    """Where a kind of file comes from and how it is read: its columns, separator, encoding, units and date format."""

    name = models.CharField(max_length=80, unique=True)
    instrument = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, related_name="sources", null=True, blank=True
    )
    # The shape is `importing.mapping.Mapping`.
    mapping = models.JSONField(default=dict)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class FileKind(models.TextChoices):
    TICKETS = "tickets", "weighbridge tickets"
    VEHICLES = "vehicles", "vehicles"
    INSTALLATIONS = "installations", "installations"
    WORKSHEETS = "worksheets", "calibration worksheets"
    REPAIRS = "repairs", "suspension repairs"


class ImportedFile(Fact):
    """A file that records were taken from, with its digest. The file itself stays with whoever made it."""

    kind = models.CharField(max_length=16, choices=FileKind)
    source = models.ForeignKey(
        TicketSource, on_delete=models.PROTECT, null=True, blank=True, related_name="files"
    )
    name = models.CharField(max_length=200)
    size = models.PositiveBigIntegerField()
    sha256 = models.CharField("SHA-256", max_length=64)
    mapping = models.JSONField("columns as mapped", default=dict, blank=True)
    rows_read = models.PositiveIntegerField()
    rows_recorded = models.PositiveIntegerField()
    rows_known = models.PositiveIntegerField("rows recorded before")
    rows_refused = models.PositiveIntegerField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-recorded_at"]
        indexes = [models.Index(fields=["sha256"], name="imported_file_by_digest")]

    def __str__(self) -> str:
        return self.name
