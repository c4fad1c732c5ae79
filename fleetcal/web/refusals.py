"""Turns the refusals of the layers below into answers that say what to do, where a view did not do so itself."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleetcal.ledger.refusals import Refused


class RefusalMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if isinstance(exception, Refused):
            return render(request, "refused.html", {"message": str(exception)}, status=409)
        return None
