"""Policies and their versions. A version is never edited: a change is the next version, with the reason for it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Policy, PolicyVersion, RepairRule
from fleetcal.fleet.models.policies import Effect, Work
from fleetcal.fleet.policy_defaults import (
    DEFAULT_EFFECTIVE_FROM,
    DEFAULT_NAME,
    REQUIRED_ITEMS,
    default_repair_rules,
)
from fleetcal.fleet.services.rows import checked, checked_alone, write
from fleetcal.ledger.facts import Recorded
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import FLEET_STREAM, Draft

RepairRules = Mapping[tuple[str, str], str]
# What a version is besides its values.
IDENTITY = {"id", "entry", "policy", "number", "effective_from", "recorded_at", "recorded_by", "note"}
VALUE_NAMES = tuple(field.name for field in PolicyVersion._meta.concrete_fields if field.name not in IDENTITY)


@dataclass(frozen=True, slots=True)
class NewPolicy:
    """`unit_kind` and `suspension` say which vehicles it is for; empty means any."""

    name: str
    unit_kind: str = ""
    suspension: str = ""


def create_policy(
    draft: NewPolicy,
    *,
    actor: User,
    effective_from: date,
    values: Mapping[str, Any] | None = None,
    repair_rules: RepairRules | None = None,
    note: str = "",
) -> Policy:
    """A policy with its first version. Values and rules that are not given are the defaults."""
    policy = Policy(name=draft.name.strip(), unit_kind=draft.unit_kind, suspension=draft.suspension)
    _refuse_same_scope(policy)
    checked(policy)
    given = {"required_items": list(REQUIRED_ITEMS), **(values or {})}
    version = _version(policy, 1, effective_from, given, note, actor)
    rules = _rules(version, {**default_repair_rules(), **(repair_rules or {})})
    _write("policy.created", [policy, version, *rules], actor, note)
    return policy


def add_policy_version(
    policy: Policy,
    *,
    actor: User,
    effective_from: date,
    note: str,
    values: Mapping[str, Any] | None = None,
    repair_rules: RepairRules | None = None,
) -> PolicyVersion:
    """The next version. Values and rules that are not given are those of the version before."""
    before = policy.versions.order_by("-number").prefetch_related("repair_rules").first()
    if before is None:
        raise Refused(f"{policy.name} has no first version.")
    if not note.strip():
        raise Refused("Say why the policy changes: whoever judges by it later will ask.", field="note")
    if effective_from < before.effective_from:
        raise Refused(
            f"Effective from {effective_from}, but version {before.number} is effective from {before.effective_from}: the next "
            "version cannot begin before it.",
            field="effective_from",
        )
    given = {name: getattr(before, name) for name in VALUE_NAMES} | dict(values or {})
    version = _version(policy, before.number + 1, effective_from, given, note, actor)
    rules = _rules(version, {**rules_of(before), **(repair_rules or {})})
    _write("policy.version_added", [version, *rules], actor, note)
    return version


def ensure_default_policy(actor: User, effective_from: date = DEFAULT_EFFECTIVE_FROM) -> Policy:
    """The policy for every vehicle, made with the defaults if there is none."""
    found = Policy.objects.filter(unit_kind="", suspension="").first()
    return found or create_policy(NewPolicy(DEFAULT_NAME), actor=actor, effective_from=effective_from)


def rules_of(version: PolicyVersion) -> dict[tuple[str, str], str]:
    """What work on each component means under *version*; the default for a component that came into the list later."""
    own = {(rule.component, rule.work): rule.effect for rule in version.repair_rules.all()}
    return {**default_repair_rules(), **own}


def _version(
    policy: Policy, number: int, effective_from: date, values: Mapping[str, Any], note: str, actor: User
) -> PolicyVersion:
    unknown = sorted(values.keys() - set(VALUE_NAMES))
    if unknown:
        raise Refused(f"A policy has no value named {', '.join(unknown)}.", field=unknown[0])
    version = PolicyVersion(
        policy=policy,
        number=number,
        effective_from=effective_from,
        recorded_at=timezone.now(),
        recorded_by=actor,
        note=note.strip(),
        **values,
    )
    checked_alone(version, without=["policy", "recorded_by"])
    if version.longest_interval_days < 1:
        raise Refused(
            f"A longest interval of {version.longest_interval_days} days is no interval: give at least 1 day.",
            field="longest_interval_days",
        )
    if version.shortest_interval_days > version.longest_interval_days:
        raise Refused(
            f"The shortest interval of {version.shortest_interval_days} days is above the longest of "
            f"{version.longest_interval_days} days.",
            field="shortest_interval_days",
        )
    strangers = [str(code) for code in version.required_items if code not in REQUIRED_ITEMS]
    if strangers:
        raise Refused(f"No installation item is named {', '.join(strangers)}.", field="required_items")
    return version


def _rules(version: PolicyVersion, effects: RepairRules) -> list[RepairRule]:
    rules = []
    for (component, work), effect in effects.items():
        if work not in Work.values or effect not in Effect.values:
            raise Refused(f"{component}, {work}: “{effect}” is no effect.", field="repair_rules")
        rules.append(
            checked_alone(
                RepairRule(version=version, component=component, work=work, effect=effect),
                without=["version"],
            )
        )
    return rules


def _refuse_same_scope(policy: Policy) -> None:
    other = Policy.objects.filter(unit_kind=policy.unit_kind, suspension=policy.suspension).first()
    if other:
        raise Refused(f"{other.name} is already for these vehicles: add a version to it.", field="unit_kind")


def _write(kind: str, rows: list[Recorded], actor: User, reason: str) -> None:
    write([Draft(stream=FLEET_STREAM, kind=kind, actor=actor.username, rows=rows, reason=reason)])
