"""The only door from a URL to an object: what a person may not see does not exist for them (404), what they may not do is refused (403)."""

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404
from django.utils.cache import patch_cache_control

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import vehicles_for

View = Callable[..., HttpResponseBase]
Row = TypeVar("Row", bound=models.Model)


def needs(capability: Capability) -> Callable[[View], View]:
    """Every view carries this: it names the one capability that the page asks for."""

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not person(request).may(capability):
                raise PermissionDenied(f"Your role does not include: {capability.value.replace('_', ' ')}.")
            response = view(request, *args, **kwargs)
            # What a person may see is theirs alone: no proxy keeps it, and no browser shows it again without asking.
            patch_cache_control(response, private=True, no_cache=True)
            return response

        guarded.capability = capability  # type: ignore[attr-defined]  # read by the test that walks every URL
        return guarded

    return decorate


def person(request: HttpRequest) -> User:
    """The signed-in user; `LoginRequiredMiddleware` has let nobody else through."""
    return cast(User, request.user)


def vehicle_or_404(request: HttpRequest, vehicle_id: UUID) -> Vehicle:
    return get_object_or_404(vehicles_for(person(request)).select_related("depot"), pk=vehicle_id)


def row_of_vehicle_or_404(
    request: HttpRequest, rows: "type[Row] | models.QuerySet[Row]", row_id: UUID | int
) -> Row:
    """The row with this id, if it belongs to a vehicle that the person may see."""
    queryset = rows._default_manager.all() if isinstance(rows, type) else rows
    return get_object_or_404(queryset.filter(vehicle__in=vehicles_for(person(request))), pk=row_id)
