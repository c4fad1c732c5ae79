from statistics import median
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.achievable import (
    TYPICAL_GROSS_KG,
    TYPICAL_GROUP_KG,
    achieve,
    cost_guards,
)
from fleetcal.fleet.components import COMPONENTS
from fleetcal.fleet.models import AxleGroup, Policy, PolicyVersion, Vehicle
from fleetcal.fleet.models.policies import Effect, Work
from fleetcal.fleet.policy_defaults import REQUIRED_ITEMS, default_repair_rules
from fleetcal.fleet.services.policies import add_policy_version, create_policy, rules_of
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.policies import ScopeForm, VersionForm, version_as_stored
from fleetcal.web.numbers import read_count
from fleetcal.web.policy_words import changes_between, describe
from fleetcal.web.tables.policies import PolicyTable, with_columns


@needs(Capability.SEE_FLEET)
@require_safe
def list_policies(request: HttpRequest) -> HttpResponse:
    table = PolicyTable(with_columns(Policy.objects.all()))
    context = {"table": configure(request, table)}
    return export_asked(request, table, "policies") or render(request, "policies/list.html", context)


@needs(Capability.SEE_FLEET)
@require_safe
def show(request: HttpRequest, policy_id: UUID) -> HttpResponse:
    """One version, the newest unless the URL names another, and the list of all."""
    policy = get_object_or_404(Policy, pk=policy_id)
    versions = list(
        policy.versions.order_by("-number").select_related("recorded_by").prefetch_related("repair_rules")
    )
    asked = read_count(request.GET.get("version", ""))
    version = versions[0] if asked is None else get_object_or_404(policy.versions, number=asked)
    unit = person(request).unit
    context = {
        "policy": policy,
        "version": version,
        "versions": _with_changes(versions, unit),
        "sections": describe(version, unit),
        "rules": _rule_rows(version),
        **_meaning(version, policy),
    }
    return render(request, "policies/show.html", context)


@needs(Capability.MANAGE_POLICIES)
@require_http_methods(["GET", "POST"])
def create(request: HttpRequest) -> HttpResponse:
    user = person(request)
    data = request.POST or None
    scope = ScopeForm(data)
    today = timezone.localdate()
    form = VersionForm(
        data,
        unit=user.unit,
        rules=dict(default_repair_rules()),
        note_required=False,
        initial={"effective_from": today, "required_items": list(REQUIRED_ITEMS)},
    )
    if data and all([scope.is_valid(), form.is_valid()]) and "preview" not in data:
        policy = attempt(
            scope,
            lambda: create_policy(
                scope.draft(),
                actor=user,
                effective_from=form.cleaned_data["effective_from"],
                values=form.values(),
                repair_rules=form.repair_rules(),
                note=form.cleaned_data["note"],
            ),
        )
        if policy:
            _refresh_all()
            messages.success(request, f"{policy} is on record.")
            return redirect("policy", policy.pk)
    context = {"form": form, "scope": scope, **_preview(form, None)}
    return render(request, "policies/edit.html", context)


@needs(Capability.MANAGE_POLICIES)
@require_http_methods(["GET", "POST"])
def add_version(request: HttpRequest, policy_id: UUID) -> HttpResponse:
    user = person(request)
    policy = get_object_or_404(Policy, pk=policy_id)
    before = policy.versions.order_by("-number").prefetch_related("repair_rules")[0]
    data = request.POST or None
    previews = data is not None and "preview" in data
    form = VersionForm(
        data,
        unit=user.unit,
        rules=rules_of(before),
        # To see what it means needs no reason yet.
        note_required=not previews,
        initial=version_as_stored(before, timezone.localdate()),
    )
    if data and form.is_valid() and not previews:
        version = attempt(
            form,
            lambda: add_policy_version(
                policy,
                actor=user,
                effective_from=form.cleaned_data["effective_from"],
                note=form.cleaned_data["note"],
                values=form.values(),
                repair_rules=form.repair_rules(),
            ),
        )
        if version:
            _refresh_all()
            messages.success(request, f"Version {version.number} of {policy} is on record.")
            return redirect("policy", policy.pk)
    context = {"form": form, "policy": policy, "before": before, **_preview(form, policy)}
    form.fields["note"].required = True
    return render(request, "policies/edit.html", context)


def _refresh_all() -> None:
    """A policy may concern any vehicle."""
    refresh_standings(set(Vehicle.objects.in_service().values_list("pk", flat=True)))


def _preview(form: VersionForm, policy: Policy | None) -> dict[str, Any]:
    if form.is_bound and form.is_valid():
        return _meaning(form.unsaved_version(), policy)
    return {}


def _meaning(version: PolicyVersion, policy: Policy | None) -> dict[str, Any]:
    """What the version can show at all, for a vehicle as they are in this fleet."""
    gross, group = achieve(version, *_typical_maxima(policy))
    return {
        "achievable": (gross, group),
        "too_large": [found for found in (gross, group) if found.too_large],
        "guards": cost_guards(version, gross),
        "guards_risk": version.risk_limit_percent,
    }


def _typical_maxima(policy: Policy | None) -> tuple[float, float]:
    """The middle of the fleet's own maxima, gross and group, among the kind that the policy is for."""
    vehicles = Vehicle.objects.in_service()
    groups = AxleGroup.objects.filter(vehicle__retired_on__isnull=True)
    if policy and policy.unit_kind:
        vehicles, groups = (
            vehicles.filter(kind=policy.unit_kind),
            groups.filter(vehicle__kind=policy.unit_kind),
        )
    gross = vehicles.order_by().values_list("max_gross_kg", flat=True)
    group = groups.order_by().values_list("max_kg", flat=True)
    return (
        float(median(gross)) if gross else TYPICAL_GROSS_KG,
        float(median(group)) if group else TYPICAL_GROUP_KG,
    )


def _with_changes(versions: list[PolicyVersion], unit: str) -> list[tuple[PolicyVersion, list[str]]]:
    """Each version, newest first, with what it changed in the one before."""
    told: list[tuple[PolicyVersion, list[str]]] = []
    for version, before in zip(versions, [*versions[1:], None], strict=True):
        if before is None:
            told.append((version, []))
            continue
        changes = changes_between(before, version, unit)
        old, new = rules_of(before), rules_of(version)
        changes += [
            f"{component} {Work(work).label}: {Effect(effect).label}"
            for (component, work), effect in new.items()
            if old[component, work] != effect
        ]
        told.append((version, changes))
    return told


def _rule_rows(version: PolicyVersion) -> list[tuple[str, str, list[str]]]:
    rules = rules_of(version)
    return [
        (
            component.name,
            component.found_on,
            [str(Effect(rules[component.name, work.value]).label) for work in Work],
        )
        for component in COMPONENTS
    ]
