"""The calibration worksheet: one page, one form per step, each change saved at once."""

from collections.abc import Callable
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBadRequest
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from fleetcal.accounts.roles import Capability
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Worksheet
from fleetcal.records.models.calibrations import LoadState
from fleetcal.records.services import worksheets as services
from fleetcal.records.services.worksheets import OpenSheet, look_at
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, row_of_vehicle_or_404
from fleetcal.web.numbers import read_count
from fleetcal.web.views.calibrations import SettingLine, write_measured
from fleetcal.web.worksheet_page import (
    READING_FORMS,
    WorksheetForms,
    count_states,
    list_readings,
    list_ticks,
    tell_rules,
)

CHANGED_MEANWHILE = (
    "The worksheet could not be read as it was sent. Look at it as it stands now, and enter it again."
)


@require_http_methods(["GET", "POST"])
@needs(Capability.RECORD_CALIBRATION)
def worksheet(request: HttpRequest, pk: int) -> HttpResponse:
    found: Worksheet = row_of_vehicle_or_404(
        request, Worksheet.objects.select_related("vehicle__depot", "started_by"), pk
    )
    if found.closed_at is not None:
        messages.info(request, "This worksheet is closed; what came of it is among the vehicle’s records.")
        return redirect("vehicle", found.vehicle_id)
    opened = look_at(found, timezone.now())
    if request.method == "POST":
        return _post(request, opened)
    editing = read_count(request.GET.get("reading", ""))
    page = WorksheetForms(opened, person(request), None, "", editing)
    return _render(request, opened, page)


def _post(request: HttpRequest, opened: OpenSheet) -> HttpResponse:
    step, revision = request.POST.get("step", ""), read_count(request.POST.get("revision", ""))
    act = _steps().get(step)
    if act is None or revision is None:
        return HttpResponseBadRequest(CHANGED_MEANWHILE)
    page = WorksheetForms(opened, person(request), request.POST, step, None)
    return act(_Post(request, opened, page, step, revision)) or _render(request, opened, page)


class _Post:
    """One posted step."""

    def __init__(
        self, request: HttpRequest, opened: OpenSheet, page: WorksheetForms, step: str, revision: int
    ) -> None:
        self.request, self.opened, self.page, self.step = request, opened, page, step
        self.actor, self.pk, self.revision = person(request), opened.worksheet.pk, revision

    def attempt(
        self, act: Callable[[], object], form: forms.BaseForm | None, anchor: str
    ) -> HttpResponse | None:
        """Do *act* and go back to *anchor*; a refusal stays on the page, beside its field where it has one."""
        try:
            act()
        except Refused as refusal:
            if form is None:
                messages.error(self.request, str(refusal))
                return redirect(f"{reverse('worksheet', args=[self.pk])}#{anchor}")
            self.page.refuse(form, refusal)
            return None
        return redirect(f"{reverse('worksheet', args=[self.pk])}#{anchor}")


Act = Callable[[_Post], HttpResponse | None]


def _steps() -> dict[str, Act]:
    reading = {f"{state} {method}": _save_reading for state in LoadState.values for method in READING_FORMS}
    return {
        "conditions": _save_conditions,
        **reading,
        "remove": _remove_reading,
        "stop a": _stop,
        "stop b": _stop,
        "excuse": _excuse,
        "conclude": _conclude,
        "abandon": _abandon,
    }


def _save_conditions(post: _Post) -> HttpResponse | None:
    form = post.page.conditions
    if not form.is_valid():
        return None
    return post.attempt(
        lambda: services.set_conditions(post.pk, form.conditions(), actor=post.actor, revision=post.revision),
        form,
        "empty",
    )


def _save_reading(post: _Post) -> HttpResponse | None:
    state, method = post.step.split()
    form = post.page.readings[state, method]
    if not form.is_valid():
        return None
    draft, number = form.draft(state), form.cleaned_data["number"]
    if number:
        return post.attempt(
            lambda: services.replace_reading(
                post.pk, number, draft, actor=post.actor, revision=post.revision
            ),
            form,
            state,
        )
    return post.attempt(
        lambda: services.add_reading(post.pk, draft, actor=post.actor, revision=post.revision), form, state
    )


def _remove_reading(post: _Post) -> HttpResponse | None:
    number = read_count(post.request.POST.get("number", "")) or 0
    return post.attempt(
        lambda: services.remove_reading(post.pk, number, actor=post.actor, revision=post.revision),
        None,
        "empty" if post.opened.sheet.stop_a is None else "loaded",
    )


def _stop(post: _Post) -> HttpResponse | None:
    stop, ticks = post.step[-1], post.request.POST.getlist("ticks")
    if "keep" in post.request.POST:
        return post.attempt(
            lambda: services.tick(post.pk, stop, ticks, actor=post.actor, revision=post.revision),
            None,
            f"stop-{stop}",
        )
    return post.attempt(lambda: _sign(post, stop, ticks), None, f"stop-{stop}")


def _sign(post: _Post, stop: str, ticks: list[str]) -> None:
    try:
        services.sign_stop(post.pk, stop, ticks, actor=post.actor, revision=post.revision)
    except Refused as refusal:
        # What was ticked is not lost with the refusal, if nobody else changed the worksheet.
        if refusal.field == f"stop_{stop}":
            services.tick(post.pk, stop, ticks, actor=post.actor, revision=post.revision)
        raise


def _excuse(post: _Post) -> HttpResponse | None:
    form = post.page.excuse
    if not form.is_valid():
        return None
    data = form.cleaned_data
    return post.attempt(
        lambda: services.excuse_rule(
            post.pk, data["rule"], data["reason"], actor=post.actor, revision=post.revision
        ),
        form,
        "conclude",
    )


def _conclude(post: _Post) -> HttpResponse | None:
    form = post.page.conclude
    if not form.is_valid():
        return None
    concluded: list[UUID] = []
    accept = "accept" in post.request.POST

    def act() -> None:
        calibration = services.conclude(
            post.pk, actor=post.actor, revision=post.revision, accept=accept, **form.cleaned_data
        )
        concluded.append(calibration.pk)

    answer = post.attempt(act, form, "conclude")
    if concluded:
        refresh_standings({post.opened.worksheet.vehicle_id})
        words = (
            "The calibration is recorded as accepted."
            if accept
            else "The calibration is recorded as not accepted."
        )
        messages.success(post.request, words)
        return redirect("calibration", concluded[0])
    return answer


def _abandon(post: _Post) -> HttpResponse | None:
    form = post.page.abandon
    if not form.is_valid():
        return None
    answer = post.attempt(
        lambda: services.abandon(
            post.pk, form.cleaned_data["reason"], actor=post.actor, revision=post.revision
        ),
        form,
        "abandon",
    )
    if answer:
        messages.success(post.request, "The worksheet is abandoned; the reason is kept.")
        return redirect("vehicle", post.opened.worksheet.vehicle_id)
    return answer


def _render(request: HttpRequest, opened: OpenSheet, page: WorksheetForms) -> HttpResponse:
    unit, sheet, assessment = person(request).unit, opened.sheet, opened.assessment
    rules = tell_rules(opened, unit)
    context = {
        "worksheet": opened.worksheet,
        "vehicle": opened.worksheet.vehicle,
        "sheet": sheet,
        "assessment": assessment,
        "page": page,
        "rules": rules,
        "counts": count_states(rules),
        "states": [
            _describe_state(opened, page, LoadState.EMPTY, unit),
            _describe_state(opened, page, LoadState.LOADED, unit),
        ],
        "covered": sheet.covers_groups,
    }
    return render(request, "worksheets/worksheet.html", context, status=400 if page.step else 200)


def _describe_state(opened: OpenSheet, page: WorksheetForms, state: str, unit: str) -> dict[str, object]:
    """One of the two weighings with its stop."""
    is_empty = state == LoadState.EMPTY
    assessment, sheet = opened.assessment, opened.sheet
    weighing = assessment.empty if is_empty else assessment.loaded
    return {
        "name": state,
        "stop": "a" if is_empty else "b",
        "signed": sheet.stop_a if is_empty else sheet.stop_b,
        "readings": list_readings(opened, state),
        "weighing": weighing,
        "weights": _list_weights(opened, is_empty, unit),
        "can_read": sheet.conditions is not None and sheet.stop_a is None
        if is_empty
        else assessment.may_read_loaded.allowed,
        "why_not": "Record the conditions first." if is_empty else assessment.may_read_loaded.why_not,
        "forms": [page.readings[state, method] for method in READING_FORMS],
        "method": "" if weighing.weights else page.likely_method(state),
        "ticks": list_ticks(opened, "a" if is_empty else "b"),
        "may_sign": assessment.may_sign_a if is_empty else assessment.may_sign_b,
    }


def _list_weights(opened: OpenSheet, is_empty: bool, unit: str) -> list[SettingLine]:
    lines = []
    for result in opened.assessment.settings:
        value, u = (
            (result.empty_kg, result.u_empty_kg) if is_empty else (result.loaded_kg, result.u_loaded_kg)
        )
        if value is None or u is None:
            continue
        span, u_span = result.span_exact_kg, result.u_span_kg
        lines.append(
            SettingLine(
                name=result.setting.key.capitalize(),
                empty=write_measured(value, u, unit) if is_empty else "",
                loaded="" if is_empty else write_measured(value, u, unit),
                span=write_measured(span, u_span, unit)
                if not is_empty and span is not None and u_span
                else "",
                tare_entered_kg=result.tare_kg,
                span_entered_kg=result.span_kg,
                tare_rounding_kg=result.tare_rounding_kg,
                span_rounding_kg=result.span_rounding_kg,
            )
        )
    return lines
