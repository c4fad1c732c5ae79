"""From a plate, or a part of it, to the vehicle that something is to be recorded for."""

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import search, vehicles_for
from fleetcal.web.access import person

MOST_MATCHES = 20


@dataclass(frozen=True, slots=True)
class Matches:
    query: str
    vehicles: list[Vehicle]
    are_more: bool
    onward: str


def find_vehicle(request: HttpRequest, template: str, onward: str) -> HttpResponse:
    """The page that asks for the plate; one match leads straight on to the page named *onward*."""
    # PostgreSQL takes no NUL in a text, and no plate has control characters.
    query = "".join(filter(str.isprintable, request.GET.get("q", ""))).strip()[:40]
    found: list[Vehicle] = []
    if any(character.isalnum() for character in query):
        in_reach = vehicles_for(person(request)).in_service().select_related("depot")
        found = list(search(in_reach, query)[: MOST_MATCHES + 1])
    if len(found) == 1:
        return redirect(onward, found[0].pk)
    matches = Matches(query, found[:MOST_MATCHES], len(found) > MOST_MATCHES, onward)
    return render(request, template, {"matches": matches})
