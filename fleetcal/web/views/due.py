from collections import Counter

from django.db.models import Count, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.evaluation.models import Obligation, Standing
from fleetcal.evaluation.services import stale_vehicles
from fleetcal.evaluation.standing import StandingWord
from fleetcal.fleet.selectors import vehicles_for
from fleetcal.tasks.refresh import AT_ONCE, refresh_standings
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.due import DueFilter
from fleetcal.web.tables.due import DueTable


@require_safe
@needs(Capability.SEE_FLEET)
def due(request: HttpRequest) -> HttpResponse:
    """The manager's home: one row for each thing that is to be done."""
    user = person(request)
    today = timezone.localdate()
    behind = stale_vehicles(today)
    if 0 < len(behind) <= AT_ONCE:
        refresh_standings(behind)
        behind = set()
    chosen = DueFilter(request.GET or {"when": "open"}, queryset=obligations_for(user), request=request)
    table = DueTable(chosen.qs, unit=user.unit, today=today)
    answer = export_asked(request, table, f"due-{today.isoformat()}")
    if answer is not None:
        return answer
    context = {
        "table": configure(request, table),
        "filter": chosen,
        "sentence": fleet_sentence(user),
        "has_vehicles": vehicles_for(user).exists(),
        "behind": len(behind),
        "today": today,
    }
    return render(request, "due/due.html", context)


def obligations_for(user: User) -> QuerySet[Obligation]:
    """The obligations of the vehicles that the person may see, and of the instruments of all depots."""
    seen = Obligation.objects.filter(instrument__isnull=False)
    if user.all_depots or user.is_superuser:
        seen = Obligation.objects.all()
    else:
        seen = seen | Obligation.objects.filter(vehicle__in=vehicles_for(user))
    return seen.select_related("vehicle__standing", "vehicle__depot", "instrument__depot")


def fleet_sentence(user: User) -> str:
    """The state of the fleet in words."""
    vehicles = vehicles_for(user).in_service()
    standings = Standing.objects.filter(vehicle__in=vehicles.order_by().values("pk"))
    words = Counter(dict(standings.order_by().values_list("word").annotate(n=Count("pk"))))
    total = vehicles.count()
    if not total:
        return "No vehicle is registered yet."
    told = [
        f"{words[StandingWord.DO_NOT_RELY]} not to be relied on" if words[StandingWord.DO_NOT_RELY] else "",
        f"{words[StandingWord.NOT_ON_RECORD]} without an accepted calibration"
        if words[StandingWord.NOT_ON_RECORD]
        else "",
        f"{words[StandingWord.OVERDUE]} overdue for a check" if words[StandingWord.OVERDUE] else "",
        f"{words[StandingWord.CHECK_DUE]} due within the planning window"
        if words[StandingWord.CHECK_DUE]
        else "",
    ]
    told = [part for part in told if part]
    name = "vehicle" if total == 1 else "vehicles"
    return f"{total} {name}: {', '.join(told)}." if told else f"{total} {name}, all reliable."
