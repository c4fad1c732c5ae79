"""A policy and a version of it as typed; the columns' own checks and labels are the model's."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django import forms
from django.forms.models import fields_for_model

from fleetcal.fleet.components import COMPONENTS
from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.policies import Effect, Work
from fleetcal.fleet.models.vehicles import Suspension, UnitKind
from fleetcal.fleet.services.policies import NewPolicy
from fleetcal.records.models.installations import InstallationItem
from fleetcal.web.forms.days import DayField
from fleetcal.web.forms.fields import MassField

SECTIONS = {
    "Tolerance and decision": (
        "gross_percent",
        "group_percent",
        "basis",
        "floor_kg",
        "rule",
        "guard_ratio",
        "conformance_probability",
        "repeatability_percent",
        "risk_limit_percent",
    ),
    "Checks": (
        "check_min_load_percent",
        "check_min_readings",
        "longest_interval_days",
        "shortest_interval_days",
        "longest_distance_km",
        "planning_window_days",
        "first_check_days",
        "early_check_days",
        "conditional_recheck_days",
        "repair_check_days",
        "trade_tickets_count",
        "follows_eu_cadence",
    ),
    "Calibration": (
        "calibration_min_gross_percent",
        "steer_increase",
        "steer_increase_unit",
        "axle_warn_percent",
        "max_slope_percent",
        "max_wind_m_s",
    ),
    "Installation": (
        "cure_hours",
        "min_bond_temperature",
        "min_bond_temperature_unit",
        "min_press_minutes",
        "fuse_a",
        "alarm_margin_percent",
        "required_items",
    ),
}
HINTS = {
    "basis": "Of the maximum, a light load is judged by the same kilograms as a full one.",
    "floor_kg": "Never narrower than this, however small the percentage of a light load is.",
    "rule": "Simple acceptance shares the risk evenly; a guard band lets fewer wrong displays pass and turns more right ones down.",
    "guard_ratio": "For the guard band: 1 takes the whole expanded uncertainty off the tolerance.",
    "conformance_probability": "For the probability rule: 0.95 is 95 %.",
    "repeatability_percent": "Standard deviation of one settled reading, used until ten repeated readings are on record.",
    "check_min_readings": "With a single reading a narrow tolerance can hardly be shown to be met.",
    "longest_distance_km": "Empty: distance does not decide.",
    "follows_eu_cadence": "For information. The inspection itself belongs to a workshop that is approved for it.",
    "steer_increase": "Otherwise put weight in the cab.",
    "fuse_a": "What the display’s maker asks for comes first.",
    "min_bond_temperature": "Compared in the unit in which it is stated here.",
    "required_items": "A calibration cannot start while one of these is open.",
}


@dataclass(frozen=True, slots=True)
class RuleRow:
    """One component with its two choices."""

    component: str
    found_on: str
    choices: tuple[forms.BoundField, ...]


class VersionForm(forms.Form):
    effective_from = DayField(
        help_text="Records from this day on are judged by it. What is on record already keeps the version that judged it."
    )
    note = forms.CharField(label="Why this version", required=False, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(
        self, *args: Any, unit: str, rules: dict[tuple[str, str], str], note_required: bool, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["note"].required = note_required
        names = [name for section in SECTIONS.values() for name in section]
        self.fields.update(fields_for_model(PolicyVersion, names))
        self.fields["floor_kg"] = MassField(
            unit=unit, least="0", most="20000", initial=Decimal(0), label=f"Tolerance is at least, {unit}"
        )
        self.fields["required_items"] = forms.MultipleChoiceField(
            label="A calibration waits for",
            required=False,
            choices=InstallationItem.choices,
            widget=forms.CheckboxSelectMultiple,
        )
        for name, hint in HINTS.items():
            self.fields[name].help_text = hint
        self._places = {}
        for index, component in enumerate(COMPONENTS):
            for work in Work:
                key = f"rule_{index}_{work.value}"
                self._places[key] = (component.name, work.value)
                label = f"{component.name}, {work.label}"
                self.fields[key] = forms.ChoiceField(
                    label=label,
                    choices=Effect.choices,
                    initial=rules[component.name, work.value],
                    widget=forms.Select(attrs={"aria-label": label}),
                )

    def sections(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        for title, names in SECTIONS.items():
            yield title, [self[name] for name in names]

    def rule_rows(self) -> Iterator[RuleRow]:
        for index, component in enumerate(COMPONENTS):
            choices = tuple(self[f"rule_{index}_{work.value}"] for work in Work)
            yield RuleRow(component.name, component.found_on, choices)

    def values(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for names in SECTIONS.values() for name in names}

    def repair_rules(self) -> dict[tuple[str, str], str]:
        return {place: self.cleaned_data[key] for key, place in self._places.items()}

    def unsaved_version(self) -> PolicyVersion:
        """The version that these values would be, to see what it means before it is recorded."""
        return PolicyVersion(number=0, **self.values())


class ScopeForm(forms.Form):
    """Which vehicles a policy is for. The most particular one that fits a vehicle counts, its kind before its suspension."""

    name = forms.CharField(max_length=80)
    unit_kind = forms.ChoiceField(
        label="For", required=False, choices=[("", "every kind of vehicle"), *UnitKind.choices]
    )
    suspension = forms.ChoiceField(
        label="With suspension", required=False, choices=[("", "of any type"), *Suspension.choices]
    )

    def draft(self) -> NewPolicy:
        return NewPolicy(**self.cleaned_data)


def version_as_stored(version: PolicyVersion, today: date) -> dict[str, Any]:
    """The initial values of the next version: those of *version*, from today or its own first day if that is later."""
    names = [name for section in SECTIONS.values() for name in section]
    values = {name: getattr(version, name) for name in names}
    return {
        **values,
        "floor_kg": Decimal(version.floor_kg),
        "effective_from": max(today, version.effective_from),
    }
