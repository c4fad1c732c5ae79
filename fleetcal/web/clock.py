from collections.abc import Callable
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from fleetcal.accounts.models import User


class PersonsClock:
    """Times are shown and read in the time zone of the person in front of the page."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        user = getattr(request, "user", None)
        if not isinstance(user, User):
            return self.get_response(request)
        with timezone.override(ZoneInfo(user.time_zone)):
            return self.get_response(request)
