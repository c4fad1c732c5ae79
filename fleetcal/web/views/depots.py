from uuid import UUID

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Count, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Depot
from fleetcal.fleet.selectors import depots_for
from fleetcal.fleet.services.depots import change_depot, register_depot, set_people_of_depot
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.depots import DepotForm, DepotPeopleForm
from fleetcal.web.streams import sees_everything
from fleetcal.web.tables.depots import DepotTable


@needs(Capability.MANAGE_REGISTER)
@require_safe
def list_depots(request: HttpRequest) -> HttpResponse:
    depots = _depots_of(request).annotate(
        vehicles_in_service=Count("vehicles", filter=Q(vehicles__retired_on__isnull=True))
    )
    table = DepotTable(depots)
    context = {"table": configure(request, table), "may_register": sees_everything(person(request))}
    return export_asked(request, table, "depots") or render(request, "depots/list.html", context)


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def register(request: HttpRequest) -> HttpResponse:
    if not sees_everything(person(request)):
        raise PermissionDenied("A new depot is for people who see every depot.")
    form = DepotForm(request.POST or None)
    if form.is_valid():
        depot = attempt(form, lambda: register_depot(form.draft(), actor=person(request)))
        if depot:
            messages.success(request, f"{depot} is registered.")
            return redirect("depot_list")
    return render(request, "depots/edit.html", {"form": form})


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def edit(request: HttpRequest, depot_id: UUID) -> HttpResponse:
    depot = get_object_or_404(_depots_of(request), pk=depot_id)
    form = DepotForm(request.POST or None, initial=_as_stored(depot))
    if form.is_valid():
        changed = attempt(form, lambda: change_depot(depot, form.draft(), actor=person(request)))
        if changed:
            messages.success(request, f"{changed} is changed.")
            return redirect("depot_list")
    return render(request, "depots/edit.html", {"form": form, "depot": depot, "people": _people_form(depot)})


@needs(Capability.MANAGE_ACCOUNTS)
@require_POST
def set_people(request: HttpRequest, depot_id: UUID) -> HttpResponse:
    depot = get_object_or_404(_depots_of(request), pk=depot_id)
    form = DepotPeopleForm(request.POST)
    if form.is_valid():
        set_people_of_depot(depot, form.cleaned_data["people"], actor=person(request))
        messages.success(request, f"Who works at {depot.name} is changed.")
        return redirect("depot_edit", depot_id)
    return render(
        request,
        "depots/edit.html",
        {"form": DepotForm(initial=_as_stored(depot)), "depot": depot, "people": form},
    )


def _depots_of(request: HttpRequest) -> QuerySet[Depot]:
    return Depot.objects.filter(pk__in=[depot.pk for depot in depots_for(person(request))])


def _people_form(depot: Depot) -> DepotPeopleForm:
    granted = depot.access.filter(is_granted=True).values_list("user", flat=True)
    return DepotPeopleForm(initial={"people": list(granted)})


def _as_stored(depot: Depot) -> dict[str, object]:
    return {name: getattr(depot, name) for name in ("code", "name", "address", "time_zone", "is_closed")}
