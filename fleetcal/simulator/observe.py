"""The whole fleet over the whole time: what was written down, and apart from it what was true."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleetcal.simulator.installations import SensorRow
from fleetcal.simulator.life import live
from fleetcal.simulator.repairs import RepairRow
from fleetcal.simulator.scenario import Scenario
from fleetcal.simulator.stories import story_of
from fleetcal.simulator.tickets import Ticket, WrongTicket, number_tickets, spoil_tickets
from fleetcal.simulator.truth import DriftParameters, TrueHistory
from fleetcal.simulator.weighing import draw_reference
from fleetcal.simulator.worksheets import WorksheetRow


@dataclass(frozen=True, slots=True)
class Observed:
    """Everything that the fleet has on paper; nothing in here tells what was true."""

    scenario: Scenario
    sensors: tuple[SensorRow, ...]
    worksheets: tuple[WorksheetRow, ...]
    tickets: tuple[Ticket, ...]
    repairs: tuple[RepairRow, ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """Histories and stories by registration, span errors of the instruments by serial, tickets that lie."""

    histories: dict[str, TrueHistory]
    stories: dict[str, str]
    gain_errors: dict[str, float]
    wrong_tickets: tuple[WrongTicket, ...]


def observe_fleet(
    scenario: Scenario, parameters: dict[str, DriftParameters], rng: np.random.Generator
) -> tuple[Observed, Truth]:
    """Let every vehicle of the scenario live to the end.

    `parameters` holds the drift by suspension type; `rng` must come from `numpy.random.default_rng`, because
    each vehicle draws from generators spawned from it, one for the truth and one for what is written down.
    """
    references = {
        each.serial: draw_reference(each.serial, each.kind, each.d_kg, rng) for each in scenario.instruments
    }
    histories: dict[str, TrueHistory] = {}
    lives = []
    for number, vehicle in enumerate(scenario.vehicles):
        truth_rng, observation_rng = rng.spawn(2)
        life, history = live(
            scenario,
            vehicle,
            number,
            story_of(number),
            parameters=parameters,
            references=references,
            truth_rng=truth_rng,
            rng=observation_rng,
        )
        lives.append(life)
        histories[vehicle.registration] = history
    plates = [vehicle.registration for vehicle in scenario.vehicles]
    numbered = number_tickets([ticket for life in lives for ticket in life.tickets], rng)
    tickets, wrong_tickets = spoil_tickets(numbered, plates, rng)
    observed = Observed(
        scenario=scenario,
        sensors=tuple(row for life in lives for row in life.sensors),
        worksheets=tuple(
            sorted(
                (row for life in lives for row in life.worksheets), key=lambda row: (row.on, row.worksheet)
            )
        ),
        tickets=tickets,
        repairs=tuple(
            sorted((row for life in lives for row in life.repairs), key=lambda row: (row.done_at, row.plate))
        ),
    )
    truth = Truth(
        histories=histories,
        stories={plate: str(story_of(number)) for number, plate in enumerate(plates)},
        gain_errors={serial: reference.gain_error for serial, reference in references.items()},
        wrong_tickets=wrong_tickets,
    )
    return observed, truth
