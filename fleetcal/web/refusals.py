"""Turns the refusals of the layers below into answers that say what to do, where a view did not do so itself."""

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleetcal.ledger.refusals import Refused

MEBIBYTE = 2**20


class RefusalMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        # The framework limits what it holds in memory but not the files that it writes to the disk while a form is read.
        sent, most = _length_of(request), settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        if sent > most:
            message = (
                f"{sent / MEBIBYTE:.0f} MB were sent; at most {most / MEBIBYTE:.0f} MB are taken at once."
            )
            return render(request, "refused.html", {"message": message}, status=413)
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if isinstance(exception, Refused):
            return render(request, "refused.html", {"message": str(exception)}, status=409)
        return None


def _length_of(request: HttpRequest) -> int:
    """As the framework takes it: what is no number counts as nothing, and then nothing is read."""
    try:
        return int(request.META.get("CONTENT_LENGTH") or 0)
    except ValueError:
        return 0
