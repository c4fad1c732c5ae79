"""One vehicle's life day by day: what breaks, what the fleet does about it, and what it writes down.

The fleet acts on what it reads, never on the truth: a check whose readings come near the tolerance, or work
on a spring, leads to a recalibration days later, and that in turn changes the truth.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np

from fleetcal.simulator.diary import Diary, Errand
from fleetcal.simulator.installations import SensorRow, record_installation
from fleetcal.simulator.repairs import (
    Consequence,
    RepairRow,
    Work,
    choose_disturbing_work,
    choose_harmless_work,
    log_repair,
    replace_spring,
)
from fleetcal.simulator.scenario import FEEDMILL_BRIDGE, QUARRY_BRIDGE, Scenario
from fleetcal.simulator.stories import Story
from fleetcal.simulator.tickets import Ticket
from fleetcal.simulator.truth import DAYS_PER_YEAR, DriftParameters, Jump, TrueHistory, draw_history
from fleetcal.simulator.vehicles import Vehicle
from fleetcal.simulator.visits import choose_check_site, choose_scale, compare, trade
from fleetcal.simulator.weighing import Reference
from fleetcal.simulator.worksheets import WorksheetRow, calibrate

GROSS_TOLERANCE = 0.03
GROUP_TOLERANCE = 0.05
# The fleet recalibrates when a check's error exceeds this part of the tolerance.
ADJUST_ABOVE = 0.7
# Checks are meant yearly: booked from here on, and then done when somebody finds the time.
EARLIEST_CHECK_DAYS = 345
USUAL_LATENESS_DAYS = 25.0
HARMLESS_REPAIRS_PER_YEAR = 0.8
FIRST_ATTEMPT_TOO_LIGHT = 0.04


@dataclass(frozen=True, slots=True)
class Life:
    """The records that one vehicle left behind."""

    sensors: tuple[SensorRow, ...]
    worksheets: tuple[WorksheetRow, ...]
    tickets: tuple[Ticket, ...]
    repairs: tuple[RepairRow, ...]


def live(
    scenario: Scenario,
    vehicle: Vehicle,
    number: int,
    story: Story,
    *,
    parameters: dict[str, DriftParameters],
    references: dict[str, Reference],
    truth_rng: np.random.Generator,
    rng: np.random.Generator,
) -> tuple[Life, TrueHistory]:
    """The vehicle's records and, apart from them, the truth; each draws from its own generator."""
    layout = vehicle.layout
    history = draw_history(
        [
            (axles, suspension, float(layout.group_max_kg(group)))
            for group, (axles, suspension) in enumerate(zip(layout.groups, layout.suspension, strict=True))
        ],
        parameters,
        epoch=scenario.epoch,
        horizon_days=scenario.horizon_days,
        rng=truth_rng,
    )
    diary = Diary(scenario, vehicle, story, references, history, truth_rng, rng)
    sensors = record_installation(vehicle, number, story, rng)
    _plan_repairs(diary)
    _plan_story(diary)
    if story not in (Story.INSTALLATION_OPEN, Story.NEWLY_FITTED):
        diary.calibration_pending = True
        diary.plan("calibrate", diary.working_day(diary.fitted_day + rng.uniform(4, 10)), insisted=True)
    while diary.errands:
        errand = heapq.heappop(diary.errands)
        if errand.day < scenario.horizon_days:
            _ERRANDS[errand.kind](diary, errand)
    trade(diary)
    life = Life(sensors, tuple(diary.worksheets), tuple(diary.tickets), tuple(diary.repairs))
    return life, diary.history


def _plan_repairs(diary: Diary) -> None:
    for group, truth in enumerate(diary.history.groups):
        for jump in truth.jumps():
            if jump.recorded and jump.day > diary.fitted_day:
                work = choose_disturbing_work(truth.suspension, diary.rng)
                diary.plan("repair", jump.day, group=group, work=work)
    remaining_days = diary.scenario.horizon_days - max(diary.fitted_day, 0)
    for _ in range(int(diary.rng.poisson(HARMLESS_REPAIRS_PER_YEAR * remaining_days / DAYS_PER_YEAR))):
        day = diary.working_hour(diary.fitted_day + diary.rng.uniform(1, remaining_days))
        group = int(diary.rng.integers(len(diary.history.groups)))
        diary.plan("repair", day, group=group, work=choose_harmless_work(diary.rng))


def _plan_story(diary: Diary) -> None:
    last = len(diary.history.groups) - 1
    suspension = diary.history.groups[last].suspension
    match diary.story:
        case Story.SPRING_REPLACED:
            diary.cares_until = diary.before_end(35)
            _break(diary, last, diary.before_end(diary.rng.uniform(10, 28)), replace_spring(suspension))
        case Story.CHECK_FAILED:
            diary.cares_until = diary.before_end(80)
            _disturb_unseen(diary, last, diary.before_end(75), span=0.08)
            _insist_on_check(diary, diary.before_end(19), QUARRY_BRIDGE)
        case Story.NEGLECTED:
            diary.cares_until = diary.before_end(570)
        case Story.LAPSED_REFERENCE:
            diary.cares_until = diary.before_end(400)
            _insist_on_check(diary, diary.before_end(14), FEEDMILL_BRIDGE)
        case Story.TOO_LIGHT:
            diary.cares_until = diary.before_end(40)
            _break(diary, last, diary.before_end(24), replace_spring(suspension))
            diary.plan("calibrate too light", diary.working_day(diary.before_end(15)), insisted=True)
        case Story.DRIFTING:
            diary.history = diary.history.with_drift(last, 0.008)
            diary.cares_until = diary.before_end(290)
            diary.plan("calibrate", diary.working_day(diary.before_end(300)), insisted=True)


def _insist_on_check(diary: Diary, day: float, site: str) -> None:
    diary.plan("check", diary.working_hour(day), insisted=True, site=site)


def _break(diary: Diary, group: int, day: float, work: Work) -> None:
    parameters = diary.history.groups[group].parameters
    at = diary.working_hour(day)
    jump = Jump(
        at,
        float(diary.truth_rng.normal(0.0, parameters.jump_zero)),
        float(diary.truth_rng.normal(0.0, parameters.jump_span)),
        recorded=True,
    )
    diary.history = diary.history.after_jump(group, jump)
    diary.plan("repair", at, group=group, work=work)


def _disturb_unseen(diary: Diary, group: int, day: float, *, span: float) -> None:
    diary.history = diary.history.after_jump(group, Jump(diary.working_hour(day), 0.0, span, recorded=False))


def _repair(diary: Diary, errand: Errand) -> None:
    if errand.work is None:
        raise ValueError(f"repair on day {errand.day:g} without any work")
    axles = diary.history.groups[errand.group].axles
    depot = next(each for each in diary.scenario.depots if each.code == diary.vehicle.depot)
    diary.repairs.append(
        log_repair(
            diary.vehicle,
            errand.work,
            axles[int(diary.rng.integers(len(axles)))],
            diary.moment(errand.day),
            workshop=f"{depot.name} workshop",
            epoch=diary.scenario.epoch,
            rng=diary.rng,
        )
    )
    if errand.work.consequence is Consequence.RECALIBRATE:
        _plan_calibration(diary, errand.day + diary.rng.uniform(4, 13))
    elif errand.work.consequence is Consequence.CHECK and diary.first_taught_day is not None:
        diary.next_check_day = diary.working_hour(errand.day + diary.rng.uniform(3, 14))
        diary.plan("check", diary.next_check_day)


def _plan_calibration(diary: Diary, day: float) -> None:
    if not diary.calibration_pending and diary.first_taught_day is not None and day <= diary.cares_until:
        diary.calibration_pending = True
        diary.plan("calibrate", diary.working_day(day))


def _plan_next_check(diary: Diary, day: float) -> None:
    diary.next_check_day = diary.working_hour(
        day + EARLIEST_CHECK_DAYS + diary.rng.exponential(USUAL_LATENESS_DAYS)
    )
    diary.plan("check", diary.next_check_day)


def _check(diary: Diary, errand: Errand) -> None:
    overtaken = errand.day != diary.next_check_day or diary.calibration_pending
    if not errand.insisted and (overtaken or errand.day > diary.cares_until):
        return
    ticket = compare(diary, errand.site or choose_check_site(diary), errand.day, "check")
    _plan_next_check(diary, errand.day)
    if _worst_share_of_tolerance(diary.vehicle, ticket) > ADJUST_ABOVE:
        _plan_calibration(diary, errand.day + diary.rng.uniform(1, 9))


def _worst_share_of_tolerance(vehicle: Vehicle, ticket: Ticket) -> float:
    """The largest error that the ticket shows, gross or group, as a part of its tolerance."""
    layout = vehicle.layout
    gross_error_kg = sum(ticket.displays_kg) / len(ticket.displays_kg) - ticket.gross_kg
    shares = [abs(gross_error_kg) / (GROSS_TOLERANCE * layout.max_gross_kg)]
    for group, (reference_kg, shown_kg) in enumerate(
        zip(ticket.group_references_kg, ticket.group_displays_kg, strict=True)
    ):
        shares.append(abs(shown_kg - reference_kg) / (GROUP_TOLERANCE * layout.group_max_kg(group)))
    return max(shares)


def _calibrate(diary: Diary, errand: Errand) -> None:
    """As found, the worksheet, as left, all on one day; with too light a load only the worksheet."""
    rng, whole_day = diary.rng, int(errand.day)
    diary.calibration_pending = False
    on = diary.moment(whole_day).date()
    if diary.worksheets and diary.worksheets[-1].on == on:
        return
    too_light = errand.kind == "calibrate too light" or rng.random() < FIRST_ATTEMPT_TOO_LIGHT
    scale, one_draft = choose_scale(diary, whole_day)
    technicians = diary.scenario.usernames("technician", diary.vehicle.depot)
    calibration = calibrate(
        diary.vehicle,
        on,
        technicians[int(rng.integers(len(technicians)))],
        scale=scale,
        one_draft=one_draft,
        loaded_fraction=float(rng.uniform(0.80, 0.86) if too_light else rng.uniform(0.925, 0.975)),
        teach=not too_light,
        rng=rng,
    )
    if calibration.taught_at is None:
        diary.worksheets.extend(calibration.rows)
        if errand.kind == "calibrate":
            diary.calibration_pending = True
            diary.plan(
                "calibrate", diary.working_day(whole_day + rng.uniform(1, 4)), insisted=errand.insisted
            )
        return
    site = choose_check_site(diary)
    if diary.first_taught_day is not None:
        compare(diary, site, whole_day + rng.uniform(7.0, 8.5) / 24, "as found")
    diary.worksheets.extend(calibration.rows)
    taught_day = diary.day_of(calibration.taught_at)
    for group in range(len(diary.history.groups)):
        diary.history = diary.history.after_recalibration(group, taught_day, diary.truth_rng)
    if diary.first_taught_day is None:
        diary.first_taught_day = taught_day
    compare(diary, site, taught_day + rng.uniform(0.7, 2.0) / 24, "as left")
    _plan_next_check(diary, taught_day)


_ERRANDS = {
    "repair": _repair,
    "check": _check,
    "calibrate": _calibrate,
    "calibrate too light": _calibrate,
}
