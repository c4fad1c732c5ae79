from django.conf import settings
from django.core.validators import RegexValidator
from django.db import models

from fleetcal.ledger.facts import Register


class Depot(Register):
    code = models.CharField(
        max_length=8,
        unique=True,
        validators=[RegexValidator(r"^[A-Z0-9]{2,8}$", "Use 2 to 8 capital letters or digits.")],
    )
    name = models.CharField(max_length=80)
    address = models.TextField(blank=True)
    time_zone = models.CharField(max_length=48, default="UTC")
    is_closed = models.BooleanField("closed for good", default=False)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return f"{self.code} · {self.name}"


class DepotAccess(Register):
    """A user may see and work on the vehicles of this depot. Users with `all_depots` need none of these."""

    depot = models.ForeignKey(Depot, on_delete=models.PROTECT, related_name="access")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="depot_access")
    is_granted = models.BooleanField(default=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["depot", "user"], name="depot_access_unique")]

    def __str__(self) -> str:
        return f"{self.user} at {self.depot.code}"
