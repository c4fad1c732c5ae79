from django.http import HttpRequest

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability


def people(request: HttpRequest) -> dict[str, object]:
    """What the person in front of the page may do, for templates: ``{% if can.record_check %}``; and the unit of mass they read."""
    user = getattr(request, "user", None)
    allowed = user.capabilities if isinstance(user, User) else frozenset[Capability]()
    return {
        "can": {capability.value: capability in allowed for capability in Capability},
        "mass_unit": user.unit if isinstance(user, User) else "kg",
    }
