from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST

from fleetcal.accounts.models import MassUnit
from fleetcal.accounts.roles import Capability
from fleetcal.accounts.services import Preferences, change_preferences
from fleetcal.web.access import needs, person
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.preferences import PreferencesForm


@needs(Capability.SEE_FLEET)
@require_http_methods(["GET", "POST"])
def edit_preferences(request: HttpRequest) -> HttpResponse:
    user = person(request)
    stored = {name: getattr(user, name) for name in ("first_name", "last_name", "unit", "time_zone")}
    form = PreferencesForm(request.POST or None, initial=stored)
    if form.is_valid():
        kept = attempt(form, lambda: change_preferences(user, Preferences(**form.cleaned_data)))
        if kept:
            messages.success(request, "Your preferences are kept.")
            return redirect("preferences")
    return render(request, "preferences/edit.html", {"form": form})


@needs(Capability.SEE_FLEET)
@require_POST
def switch_unit(request: HttpRequest) -> HttpResponse:
    user = person(request)
    unit = request.POST.get("unit", "")
    if unit in MassUnit.values and unit != user.unit:
        change_preferences(user, Preferences(user.first_name, user.last_name, unit, user.time_zone))
    target = request.POST.get("next", "")
    safe = url_has_allowed_host_and_scheme(
        target, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return redirect(target if safe else "preferences")
