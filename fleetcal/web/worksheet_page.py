"""A worksheet as its page shows it: steps with their forms, values to enter, and what is met and missing."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django import forms
from django.http import QueryDict

from fleetcal.accounts.models import User
from fleetcal.fleet.models.instruments import InstrumentKind
from fleetcal.ledger.refusals import Refused
from fleetcal.records.acceptance_rules import RuleText, tell_outcome, tell_tick
from fleetcal.records.assessment import SettingResult, standing_axles
from fleetcal.records.models.calibrations import LoadState, Method
from fleetcal.records.services.worksheets import OpenSheet
from fleetcal.records.worksheet import SheetReading
from fleetcal.web.forms.calibrations import (
    AbandonForm,
    BridgeForm,
    ConcludeForm,
    ConditionsForm,
    ExcuseForm,
    PadsForm,
    ReadingForm,
    initial_of_conditions,
    initial_of_reading,
)

# What stands in the way comes first.
ORDER = ("not met", "not known", "excused", "met", "not applicable")
READING_FORMS: dict[str, type[ReadingForm]] = {Method.PADS: PadsForm, Method.BRIDGE: BridgeForm}


@dataclass(frozen=True, slots=True)
class TickLine:
    """A line of a stop; *result* is set where a value is entered."""

    code: str
    words: str
    is_ticked: bool
    result: SettingResult | None


@dataclass(frozen=True, slots=True)
class ReadingLine:
    reading: SheetReading
    instrument: str
    can_change: bool


class WorksheetForms:
    """Every form of the page, by step; the one that was posted keeps what was typed."""

    def __init__(
        self, opened: OpenSheet, user: User, data: QueryDict | None, step: str, editing: int | None
    ) -> None:
        self.opened, self.user, self.data, self.step, self.editing = opened, user, data, step, editing
        self.refusal = ""
        sheet, shape = opened.sheet, opened.basis.shape
        initial = initial_of_conditions(sheet.conditions) if sheet.conditions else None
        self.conditions = ConditionsForm(
            self._of("conditions"), shape=shape, initial=initial, prefix="conditions"
        )
        self.conclude = ConcludeForm(self._of("conclude"), prefix="conclude")
        self.excuse = ExcuseForm(self._of("excuse"), rules=self._excusable(), prefix="excuse")
        self.abandon = AbandonForm(self._of("abandon"), prefix="abandon")
        self.readings = {
            (state, method): self._reading_form(state, method)
            for state in LoadState.values
            for method in READING_FORMS
        }

    def refuse(self, form: forms.BaseForm, refusal: Refused) -> None:
        """Beside its field, and at the head of the page: the form may be one that is not offered any more."""
        form.add_error(refusal.field if refusal.field in form.fields else None, str(refusal))
        self.refusal = str(refusal)

    def _of(self, step: str) -> QueryDict | None:
        return self.data if self.step == step else None

    def _excusable(self) -> list[tuple[str, str]]:
        texts = {
            text.rule: text.title for text in tell_rules(self.opened, self.user.unit) if _can_be_excused(text)
        }
        return list(texts.items())

    def _reading_form(self, state: str, method: str) -> ReadingForm:
        standing = standing_axles(self.opened.basis.shape, self.opened.sheet.conditions)
        return READING_FORMS[method](
            self._of(f"{state} {method}"),
            axles=standing,
            instruments=self._instruments(method),
            unit=self.user.unit,
            initial=self._initial(state, method, standing),
            prefix=f"{state}-{method}",
        )

    def likely_method(self, state: str) -> str:
        """The method of the reading before, else the first that has an instrument."""
        done = self.opened.sheet.of_state(state) or self.opened.sheet.readings
        offered = [method for method in READING_FORMS if self._instruments(method)]
        return done[-1].method if done else next(iter(offered), "")

    def _instruments(self, method: str) -> list[tuple[UUID, str]]:
        """The instruments of this method by name, those that are valid today first."""
        kind = InstrumentKind.PADS if method == Method.PADS else InstrumentKind.WEIGHBRIDGE
        used = [each for each in self.opened.basis.instruments.values() if each.terms.kind == kind]
        used.sort(key=lambda each: (not each.validity.valid, each.terms.name))
        return [
            (
                each.terms.id,
                each.terms.name if each.validity.valid else f"{each.terms.name} (not valid today)",
            )
            for each in used
            if each.terms.retired_on is None
        ]

    def _initial(self, state: str, method: str, standing: Sequence[int]) -> dict[str, Any]:
        """The reading that is being corrected, else the next one that a technician would take."""
        done = [r for r in self.opened.sheet.of_state(state) if r.method == method]
        edited = next((r for r in done if r.number == self.editing), None)
        if edited:
            return initial_of_reading(edited)
        initial: dict[str, Any] = {"instrument": done[-1].instrument_id} if done else {}
        weighed = {r.axles[0] for r in done}
        initial["axle"] = next((number for number in standing if number not in weighed), None)
        initial["axles"] = standing[: len(done) + 1] if len(done) < len(standing) else []
        return initial


def _can_be_excused(text: RuleText) -> bool:
    return text.is_excusable and not text.is_warning and text.state in {"not met", "not known"}


def tell_rules(opened: OpenSheet, unit: str) -> list[RuleText]:
    """Every rule in words, those that stand in the way first."""
    texts = [
        tell_outcome(
            rule.outcome,
            unit=unit,
            excuse=f"{rule.excuse.reason} ({rule.excuse.by})"
            if rule.excuse and rule.outcome.met is not True
            else "",
        )
        for rule in opened.assessment.rules
    ]
    return sorted(texts, key=lambda text: (ORDER.index(text.state), text.is_warning))


def count_states(rules: Sequence[RuleText]) -> dict[str, int]:
    """How many binding rules are met, not met and not yet known; an excused one counts as met."""
    binding = [text.state for text in rules if not text.is_warning]
    return {
        "met": binding.count("met") + binding.count("excused"),
        "not_met": binding.count("not met"),
        "not_known": binding.count("not known"),
    }


def list_ticks(opened: OpenSheet, stop: str) -> list[TickLine]:
    assessment = opened.assessment
    codes = assessment.ticks_a if stop == "a" else assessment.ticks_b
    results = {result.setting.key: result for result in assessment.settings}
    return [
        TickLine(code, tell_tick(code), code in opened.sheet.ticks, results.get(code.partition(" ")[2]))
        for code in codes
    ]


def list_readings(opened: OpenSheet, state: str) -> list[ReadingLine]:
    stop = opened.sheet.stop_a if state == LoadState.EMPTY else opened.sheet.stop_b
    return [
        ReadingLine(reading, opened.basis.instruments[reading.instrument_id].terms.name, stop is None)
        for reading in opened.sheet.of_state(state)
    ]
