from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.drawing.history import draw_history
from fleetcal.drawing.strip import draw_strip
from fleetcal.drawing.svg import render_svg
from fleetcal.evaluation.history import error_history
from fleetcal.evaluation.models import Standing
from fleetcal.evaluation.services import standing_as_of
from fleetcal.evaluation.standing import StandingOnDay
from fleetcal.evaluation.strips import newest_gross_errors
from fleetcal.evaluation.timeline import timeline_of
from fleetcal.evaluation.wording import MEANINGS, obligation_text
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import shape_of
from fleetcal.records.models import Inspection, Worksheet
from fleetcal.web.access import needs, vehicle_or_404
from fleetcal.web.forms.vehicle import AsOfForm
from fleetcal.web.tables.due import strip_data

HISTORY_YEARS = 3


@dataclass(frozen=True, slots=True)
class AsOf:
    """The day that a page looks back to; *known_at* is the end of that day where it asks what was known then."""

    day: date
    known_at: datetime | None
    is_today: bool


@dataclass(frozen=True, slots=True)
class LastError:
    """The newest gross error in words and as a strip."""

    words: str
    svg: SafeString


@require_safe
@needs(Capability.SEE_FLEET)
def vehicle(request: HttpRequest, pk: UUID) -> HttpResponse:
    """Everything about one vehicle: standing with reasons, error history, records, system; today or as of a past day."""
    found = vehicle_or_404(request, pk)
    form = AsOfForm(request.GET or None)
    as_of = _as_of(form, found)
    standing = standing_as_of(found, as_of.day, as_of.known_at)
    then = (
        standing_as_of(found, as_of.day, _end_of(as_of.day, found))
        if not as_of.is_today and not as_of.known_at
        else None
    )
    strip = _last_error(found) if as_of.is_today else None
    timeline = [item for item in timeline_of(found, as_of.known_at) if item.at.date() <= as_of.day]
    context = {
        "vehicle": found,
        "shape": shape_of(found),
        "form": form,
        "as_of": as_of,
        "standing": standing[0] if standing else None,
        "policy_version": standing[1] if standing else None,
        "meaning": MEANINGS[standing[0].word] if standing else "",
        "obligations": [obligation_text(o) for o in standing[0].obligations] if standing else [],
        "known_then": then[0] if then and standing and _differs(then[0], standing[0]) else None,
        "strip": strip.svg if strip else "",
        "strip_words": strip.words if strip else "",
        "histories": _histories(found, as_of),
        "timeline": [item for item in timeline if not item.is_everyday],
        "everyday": [item for item in timeline if item.is_everyday],
        "system": found.systems.filter(removed_on__isnull=True).prefetch_related("sensors__axle").first(),
        "worksheet": Worksheet.objects.filter(vehicle=found, closed_at__isnull=True).first(),
        "inspection": _newest_inspection(found, as_of),
        "stored": Standing.objects.filter(vehicle=found).first(),
    }
    return render(request, "vehicle/vehicle.html", context)


def _as_of(form: AsOfForm, found: Vehicle) -> AsOf:
    today = timezone.localdate()
    day = form.cleaned_data.get("day") if form.is_valid() else None
    if day is None:
        return AsOf(today, None, is_today=True)
    known_at = _end_of(day, found) if form.cleaned_data.get("known") == "then" else None
    return AsOf(day, known_at, is_today=day == today and known_at is None)


def _end_of(day: date, found: Vehicle) -> datetime:
    zone = ZoneInfo(found.depot.time_zone)
    return datetime.combine(day + timedelta(days=1), datetime.min.time(), zone)


def _newest_inspection(found: Vehicle, as_of: AsOf) -> Inspection | None:
    rows = Inspection.objects.filter(vehicle=found, happened_at__lt=_end_of(as_of.day, found))
    newest: Inspection | None = rows.standing(as_of.known_at).order_by("happened_at", "recorded_at").last()
    return newest


def _differs(then: StandingOnDay, now: StandingOnDay) -> bool:
    return (then.word, then.reasons) != (now.word, now.reasons)


def _last_error(found: Vehicle) -> LastError | None:
    data = strip_data(newest_gross_errors([found.pk]).get(found.pk, {}))
    if data is None:
        return None
    drawing = draw_strip(data)
    return LastError(drawing.title, mark_safe(render_svg(drawing, prefix="strip")))


def _histories(found: Vehicle, as_of: AsOf) -> list[dict[str, object]]:
    """The gross first, then each group that has results."""
    since = as_of.day - timedelta(days=round(HISTORY_YEARS * 365.25))
    drawn = []
    for subject in range(found.groups.count() + 1):
        data = error_history(found, since, as_of.day, as_of.known_at, subject=subject)
        if data is not None:
            svg = mark_safe(render_svg(draw_history(data), prefix=f"history-{subject}"))
            drawn.append({"subject": subject, "drawing": svg, "data": data})
    return drawn
