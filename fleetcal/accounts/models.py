from django.contrib.auth.models import AbstractUser
from django.db import models

from fleetcal.accounts.roles import CAPABILITIES, Capability, Role


class MassUnit(models.TextChoices):
    KILOGRAM = "kg", "kilogram (kg)"
    POUND = "lb", "pound (lb)"


class User(AbstractUser):
    role = models.CharField(max_length=16, choices=Role, default=Role.CLERK)
    unit = models.CharField("unit of mass", max_length=2, choices=MassUnit, default=MassUnit.KILOGRAM)
    time_zone = models.CharField(max_length=48, default="UTC")
    all_depots = models.BooleanField("sees every depot", default=False)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="user_role_known"),
            models.CheckConstraint(condition=models.Q(unit__in=MassUnit.values), name="user_unit_known"),
        ]

    @property
    def capabilities(self) -> frozenset[Capability]:
        return CAPABILITIES[Role.ADMINISTRATOR if self.is_superuser else self.role]

    def may(self, capability: Capability) -> bool:
        return self.is_active and capability in self.capabilities

    @property
    def display_name(self) -> str:
        return self.get_full_name() or self.username
