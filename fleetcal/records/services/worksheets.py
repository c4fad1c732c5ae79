"""A calibration in progress, step by step: each change is checked against the order that the two stops enforce."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft, record
from fleetcal.records.acceptance_rules import RULES, is_excusable
from fleetcal.records.assessment import Assessment, Basis, assess
from fleetcal.records.calibration_basis import BasisBook
from fleetcal.records.models import Calibration, Worksheet
from fleetcal.records.models.calibrations import LoadState
from fleetcal.records.readiness import Readiness
from fleetcal.records.services.calibrations import CalibrationDraft, record_calibration
from fleetcal.records.worksheet import (
    Conditions,
    Excuse,
    Sheet,
    SheetReading,
    Stop,
    sheet_from_json,
    sheet_to_json,
)
from fleetcal.records.worksheet_checks import (
    check_conditions,
    check_groups,
    check_lifted_not_weighed,
    check_reading,
)

MOST_READINGS = 60


@dataclass(frozen=True, slots=True)
class ReadingDraft:
    """A reading as taken; on pads *left_kg* and *right_kg*, on a bridge *value_kg*. Without *read_at* it was taken just now."""

    state: str
    method: str
    instrument_id: UUID
    axles: tuple[int, ...]
    value_kg: Decimal | None = None
    left_kg: Decimal | None = None
    right_kg: Decimal | None = None
    unit: str = "kg"
    entered: Mapping[str, str] = field(default_factory=dict)
    read_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class OpenSheet:
    """A worksheet with what it says now."""

    worksheet: Worksheet
    sheet: Sheet
    basis: Basis
    assessment: Assessment


def look_at(worksheet: Worksheet, at: datetime) -> OpenSheet:
    """Read *worksheet* and assess it as of *at*."""
    sheet = sheet_from_json(worksheet.state)
    basis = BasisBook([worksheet.vehicle_id]).basis(worksheet.vehicle_id, worksheet.started_at)
    return OpenSheet(worksheet, sheet, basis, assess(sheet, basis, at))


def open_worksheet(
    *, actor: User, vehicle: Vehicle, covers_groups: Sequence[int] = (), cure_reason: str = ""
) -> Worksheet:
    """Begin a calibration. Refused while a required installation item is open.

    Where only the bond has not cured, a person who may excuse gives a reason, which stays with the calibration.
    """
    now = timezone.now()
    basis = BasisBook([vehicle.pk]).basis(vehicle.pk, now)
    check_groups(covers_groups, basis.shape)
    excuses = _excuse_cure(basis.readiness, actor, cure_reason, now)
    worksheet = Worksheet(
        vehicle=vehicle,
        started_at=now,
        started_by=actor,
        state=sheet_to_json(Sheet(covers_groups=tuple(sorted(set(covers_groups))), excuses=excuses)),
    )
    try:
        with transaction.atomic():
            worksheet.save()
    except IntegrityError as error:
        raise Refused(f"A worksheet of {vehicle} is open already: go on with it, or abandon it.") from error
    return worksheet


def _excuse_cure(readiness: Readiness, actor: User, reason: str, now: datetime) -> tuple[Excuse, ...]:
    if readiness.problem:
        raise Refused(readiness.problem)
    if not readiness.blocking:
        return ()
    if not readiness.only_waits_for_cure:
        names = "; ".join(f"{state.item.label}: {state.text}" for state in readiness.blocking)
        raise Refused(f"The installation is not settled, so no calibration can start. {names}.")
    text = readiness.blocking[0].text
    if not actor.may(Capability.EXCUSE):
        raise Refused(
            f"The bond has not cured ({text}). Wait, or ask a fleet manager to begin with a reason."
        )
    if not reason.strip():
        raise Refused(f"The bond has not cured ({text}). Say why it cannot wait.", field="cure_reason")
    return (Excuse("bond_cured", reason.strip(), actor.username, now),)


def set_conditions(worksheet_id: int, conditions: Conditions, *, actor: User, revision: int) -> Worksheet:
    def change(opened: _Locked) -> Sheet:
        sheet = opened.sheet
        check_conditions(conditions, opened.basis.shape)
        before = sheet.conditions.lift_axles_up if sheet.conditions else ()
        if sheet.stop_a and before != conditions.lift_axles_up:
            raise Refused(
                "Stop A is signed: tares hold only for the lift axles as they were.", field="lift_axles_up"
            )
        check_lifted_not_weighed(conditions.lift_axles_up, sheet.readings)
        return replace(sheet, conditions=conditions)

    return _change(worksheet_id, revision, change)


def add_reading(worksheet_id: int, draft: ReadingDraft, *, actor: User, revision: int) -> Worksheet:
    def change(opened: _Locked) -> Sheet:
        return _with_reading(opened, draft, opened.sheet.next_number())

    return _change(worksheet_id, revision, change)


def replace_reading(
    worksheet_id: int, number: int, draft: ReadingDraft, *, actor: User, revision: int
) -> Worksheet:
    def change(opened: _Locked) -> Sheet:
        _check_open_for(opened.sheet, _find_reading(opened.sheet, number).state)
        return _with_reading(replace(opened, sheet=opened.sheet.without_reading(number)), draft, number)

    return _change(worksheet_id, revision, change)


def remove_reading(worksheet_id: int, number: int, *, actor: User, revision: int) -> Worksheet:
    def change(opened: _Locked) -> Sheet:
        reading = _find_reading(opened.sheet, number)
        _check_open_for(opened.sheet, reading.state)
        return opened.sheet.without_reading(number)

    return _change(worksheet_id, revision, change)


def tick(worksheet_id: int, stop: str, ticks: Iterable[str], *, actor: User, revision: int) -> Worksheet:
    """Keep which lines of *stop* ("a" or "b") are ticked."""

    def change(opened: _Locked) -> Sheet:
        return _with_ticks(opened, stop, ticks)

    return _change(worksheet_id, revision, change)


@transaction.atomic
def sign_stop(worksheet_id: int, stop: str, ticks: Iterable[str], *, actor: User, revision: int) -> Worksheet:
    """Sign stop "a" or "b" with the values entered; the ledger keeps who signed them and when."""
    signed: dict[str, str] = {}

    def change(opened: _Locked) -> Sheet:
        sheet = _with_ticks(opened, stop, ticks)
        assessment = assess(sheet, opened.basis, opened.now)
        step = assessment.may_sign_a if stop == "a" else assessment.may_sign_b
        if not step.allowed:
            raise Refused(f"Stop {stop.upper()} cannot be signed. {step.why_not}", field=f"stop_{stop}")
        values = {
            result.setting.key: value
            for result in assessment.settings
            if (value := result.tare_kg if stop == "a" else result.span_kg) is not None
        }
        signed.update({key: f"{value:.3f}" for key, value in values.items()})
        made = Stop(opened.now, actor.username, values)
        return replace(sheet, stop_a=made) if stop == "a" else replace(sheet, stop_b=made)

    worksheet = _change(worksheet_id, revision, change)
    record(
        Draft(
            stream=worksheet.vehicle.stream,
            kind="calibration.stop_signed",
            actor=actor.username,
            data={"worksheet": worksheet.pk, "stop": stop.upper(), "values_kg": signed},
        )
    )
    return worksheet


def excuse_rule(worksheet_id: int, rule: str, reason: str, *, actor: User, revision: int) -> Worksheet:
    def change(opened: _Locked) -> Sheet:
        if not actor.may(Capability.EXCUSE):
            raise Refused("Only a person who may excuse a rule can do so: ask a fleet manager.", field="rule")
        if not is_excusable(rule):
            title = RULES[rule].title if rule in RULES else rule
            raise Refused(f"“{title}” cannot be excused.", field="rule")
        if not reason.strip():
            raise Refused("Say why the rule may be left unmet.", field="reason")
        others = tuple(excuse for excuse in opened.sheet.excuses if excuse.rule != rule)
        excuse = Excuse(rule, reason.strip(), actor.username, opened.now)
        return replace(opened.sheet, excuses=(*others, excuse))

    return _change(worksheet_id, revision, change)


@transaction.atomic
def conclude(
    worksheet_id: int,
    *,
    actor: User,
    revision: int,
    accept: bool,
    why_not: str = "",
    note: str = "",
    odometer_km: int | None = None,
) -> Calibration:
    """Record the calibration and close the worksheet. Acceptance is refused unless every rule is met or excused."""
    opened = _lock(worksheet_id, revision)
    calibration = record_calibration(
        CalibrationDraft(
            vehicle_id=opened.worksheet.vehicle_id,
            started_at=opened.worksheet.started_at,
            concluded_at=opened.now,
            sheet=opened.sheet,
            accept=accept,
            why_not=why_not,
            unit=actor.unit,
            odometer_km=odometer_km,
            note=note,
        ),
        actor=actor,
    )
    _close(opened)
    return calibration


@transaction.atomic
def abandon(worksheet_id: int, reason: str, *, actor: User, revision: int) -> Worksheet:
    """Close the worksheet without a calibration; the ledger keeps that it was begun and why it ended."""
    if not reason.strip():
        raise Refused("Say why the worksheet is abandoned.", field="reason")
    opened = _lock(worksheet_id, revision)
    record(
        Draft(
            stream=opened.worksheet.vehicle.stream,
            kind="calibration.abandoned",
            actor=actor.username,
            reason=reason.strip(),
            data={"worksheet": opened.worksheet.pk, "state": sheet_to_json(opened.sheet)},
        )
    )
    return _close(opened)


@dataclass(frozen=True, slots=True)
class _Locked:
    worksheet: Worksheet
    sheet: Sheet
    basis: Basis
    now: datetime


def _lock(worksheet_id: int, revision: int) -> _Locked:
    worksheet = (
        Worksheet.objects.select_for_update(of=("self",)).select_related("vehicle").get(pk=worksheet_id)
    )
    book = BasisBook([worksheet.vehicle_id])
    zone = book.zone(worksheet.vehicle_id)
    changed = f"{worksheet.changed_at.astimezone(zone):%H:%M}"
    if worksheet.closed_at is not None:
        raise Refused(f"This worksheet was closed at {changed}. Nothing of yours was kept.")
    if worksheet.revision != revision:
        raise Refused(f"Someone else changed this worksheet at {changed}: look before you save.")
    basis = book.basis(worksheet.vehicle_id, worksheet.started_at)
    return _Locked(worksheet, sheet_from_json(worksheet.state), basis, timezone.now())


@transaction.atomic
def _change(worksheet_id: int, revision: int, change: Callable[[_Locked], Sheet]) -> Worksheet:
    opened = _lock(worksheet_id, revision)
    sheet = change(opened)
    # Whatever cannot be assessed must not be kept.
    assess(sheet, opened.basis, opened.now)
    return _save(opened.worksheet, sheet)


def _save(worksheet: Worksheet, sheet: Sheet) -> Worksheet:
    worksheet.state = sheet_to_json(sheet)
    worksheet.revision += 1
    worksheet.save()
    return worksheet


def _close(opened: _Locked) -> Worksheet:
    opened.worksheet.closed_at = opened.now
    return _save(opened.worksheet, opened.sheet)


def _find_reading(sheet: Sheet, number: int) -> SheetReading:
    found = next((reading for reading in sheet.readings if reading.number == number), None)
    if found is None:
        raise Refused(f"There is no reading {number}.", field="number")
    return found


def _check_open_for(sheet: Sheet, state: str) -> None:
    if state == LoadState.EMPTY and sheet.stop_a:
        raise Refused(
            "Stop A is signed: the tares in the display rest on these readings. Abandon the worksheet to begin again.",
            field="state",
        )
    if state == LoadState.LOADED and sheet.stop_a is None:
        raise Refused(
            "A loaded reading comes after stop A: sign it while the vehicle is still empty.", field="state"
        )
    if state == LoadState.LOADED and sheet.stop_b:
        raise Refused("Stop B is signed: the spans in the display rest on these readings.", field="state")


def _with_reading(opened: _Locked, draft: ReadingDraft, number: int) -> Sheet:
    sheet = opened.sheet
    _check_open_for(sheet, draft.state)
    if sheet.conditions is None:
        raise Refused("Record the conditions and the state of the lift axles first.", field="state")
    if len(sheet.readings) >= MOST_READINGS:
        raise Refused(f"A worksheet holds at most {MOST_READINGS} readings.")
    reading = SheetReading(
        number=number,
        state=draft.state,
        method=draft.method,
        instrument_id=draft.instrument_id,
        axles=tuple(sorted(set(draft.axles))),
        value_kg=_value_of(draft),
        read_at=draft.read_at or opened.now,
        left_kg=draft.left_kg,
        right_kg=draft.right_kg,
        unit=draft.unit,
        entered=draft.entered,
    )
    check_reading(reading, sheet, opened.basis)
    if reading.read_at > opened.now or (
        sheet.stop_a and draft.state == LoadState.LOADED and reading.read_at < sheet.stop_a.at
    ):
        raise Refused(f"{reading.read_at:%H:%M} does not lie between the last stop and now.", field="read_at")
    readings = sorted((*sheet.readings, reading), key=lambda r: r.number)
    return replace(sheet, readings=tuple(readings))


def _value_of(draft: ReadingDraft) -> Decimal:
    if draft.value_kg is not None:
        return draft.value_kg
    if draft.left_kg is None or draft.right_kg is None:
        raise Refused("Enter the reading.", field="value")
    return draft.left_kg + draft.right_kg


def _with_ticks(opened: _Locked, stop: str, ticks: Iterable[str]) -> Sheet:
    sheet = opened.sheet
    if stop not in {"a", "b"}:
        raise Refused(f"There is no stop {stop}.", field="stop")
    if (sheet.stop_a if stop == "a" else sheet.stop_b) is not None:
        raise Refused(f"Stop {stop.upper()} is signed.", field=f"stop_{stop}")
    assessment = assess(sheet, opened.basis, opened.now)
    of_stop = assessment.ticks_a if stop == "a" else assessment.ticks_b
    given = set(ticks)
    strangers = sorted(given - set(of_stop))
    if strangers:
        raise Refused(f"There is no line “{strangers[0]}” to tick.", field=f"stop_{stop}")
    others = tuple(code for code in sheet.ticks if code not in of_stop)
    return replace(sheet, ticks=(*others, *(code for code in of_stop if code in given)))
