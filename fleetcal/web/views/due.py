from collections import Counter

from django.db.models import Count, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.evaluation.models import Obligation, Standing
from fleetcal.evaluation.services import vehicles_behind
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
    behind = vehicles_behind(today, AT_ONCE)
    if 0 < len(behind) <= AT_ONCE:
        refresh_standings(behind)
        behind = set()
    chosen = DueFilter(request.GET or {"when": "open"}, queryset=obligations_for(user), request=request)
    table = DueTable(chosen.qs, unit=user.unit, today=today)
    words = words_of(user)
    answer = export_asked(request, table, f"due-{today.isoformat()}")
    if answer is not None:
        return answer
    context = {
        "table": configure(request, table),
        "filter": chosen,
        "sentence": fleet_sentence(words) if words else "",
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


def fleet_sentence(words: Counter[str]) -> str:
    """The state of the fleet in words, from the number of vehicles by standing."""
    told = [
        (words[StandingWord.DO_NOT_RELY], "not to be relied on"),
        (words[StandingWord.NOT_ON_RECORD], "without an accepted calibration"),
        (words[StandingWord.OVERDUE], "overdue for a check"),
        (words[StandingWord.CHECK_DUE], "due within the planning window"),
    ]
    parts = ", ".join(f"{count} {what}" for count, what in told if count) or "all reliable"
    return f"{words.total()} {'vehicle' if words.total() == 1 else 'vehicles'}: {parts}."


def words_of(user: User) -> Counter[str]:
    """How many of the vehicles that the person may see stand how."""
    standings = Standing.objects.all()
    if not (user.all_depots or user.is_superuser):
        standings = standings.filter(vehicle__in=vehicles_for(user).order_by().values("pk"))
    return Counter(dict(standings.order_by().values_list("word").annotate(n=Count("pk"))))
