"""Weighbridge tickets with the display's readings, and what goes wrong when they are written down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from fleetcal.simulator.scenario import FEEDMILL_BRIDGE, OWN_BRIDGE, QUARRY_BRIDGE
from fleetcal.simulator.truth import TrueHistory
from fleetcal.simulator.vehicles import Vehicle
from fleetcal.simulator.weighing import Reference, read_display, share_load, sum_groups

WRONG_SHARE = 0.005
VEHICLES_PER_CONTRADICTION = 20
# Spread when a gross is split into groups on one platform, fraction of the group's full load (assumption).
SPLIT_SPREAD = {"trade": 0.004, "check": 0.0025, "as found": 0.0025, "as left": 0.0025}


@dataclass(frozen=True, slots=True)
class Ticket:
    """One crossing; `displays_kg` holds one or two settled readings of the gross; groups may be absent."""

    site: str
    number: str
    weighed_at: datetime
    plate: str
    gross_kg: int
    displays_kg: tuple[int, ...]
    group_references_kg: tuple[int, ...]
    group_displays_kg: tuple[int, ...]
    purpose: str
    driver_in: bool


@dataclass(frozen=True, slots=True)
class WrongTicket:
    """What truth remembers of a ticket that does not say what happened."""

    site: str
    number: str
    plate: str
    fault: str


def write_ticket(
    vehicle: Vehicle,
    history: TrueHistory,
    bridge: Reference,
    gross_kg: float,
    weighed_at: datetime,
    on_day: float,
    purpose: str,
    rng: np.random.Generator,
    *,
    readings: int = 1,
    noise_factor: float = 1.0,
) -> Ticket:
    """A ticket without a number yet; only the quarry's bridge weighs group by group."""
    layout = vehicle.layout
    loads_kg = sum_groups(layout, share_load(layout, gross_kg, rng))
    shown_kg = [
        read_display(history, loads_kg, on_day, vehicle.division_kg, rng, noise_factor=noise_factor)
        for _ in range(readings)
    ]
    references_kg: tuple[int, ...] = ()
    if bridge.serial == QUARRY_BRIDGE:
        references_kg = _split(vehicle, bridge, loads_kg, purpose, rng)
    # Of a combination each unit's groups are weighed by themselves; only a rigid has a gross in one draft.
    weighed_whole = layout.kind == "rigid" or not references_kg
    return Ticket(
        site=bridge.serial,
        number="",
        weighed_at=weighed_at,
        plate=vehicle.registration,
        gross_kg=bridge.read_kg(sum(loads_kg), rng) if weighed_whole else sum(references_kg),
        displays_kg=tuple(sum(each) for each in shown_kg),
        group_references_kg=references_kg,
        group_displays_kg=shown_kg[0] if references_kg else (),
        purpose=purpose,
        driver_in=bool(rng.random() < 0.85),
    )


def _split(
    vehicle: Vehicle, bridge: Reference, loads_kg: Sequence[float], purpose: str, rng: np.random.Generator
) -> tuple[int, ...]:
    """Group readings; what a slope or the approach adds to one group it takes from the others."""
    layout = vehicle.layout
    transfer_kg = np.array(
        [
            rng.normal(0.0, SPLIT_SPREAD[purpose] * layout.group_max_kg(group))
            for group in range(len(layout.groups))
        ]
    )
    if layout.kind == "rigid":
        transfer_kg -= transfer_kg.mean()
    return tuple(
        bridge.read_kg(load_kg + float(moved_kg), rng)
        for load_kg, moved_kg in zip(loads_kg, transfer_kg, strict=True)
    )


_NUMBERING = {
    OWN_BRIDGE: ("MB", 20417, 9),
    QUARRY_BRIDGE: ("7", 100233, 40),
    FEEDMILL_BRIDGE: ("F", 5120, 25),
}


def number_tickets(tickets: Sequence[Ticket], rng: np.random.Generator) -> tuple[Ticket, ...]:
    """The tickets by site and time, with rising numbers; other people's vehicles cross in between."""
    numbered: list[Ticket] = []
    for site, (prefix, first, widest_gap) in _NUMBERING.items():
        serial = first
        for ticket in sorted(
            (each for each in tickets if each.site == site), key=lambda each: (each.weighed_at, each.plate)
        ):
            serial += int(rng.integers(1, widest_gap))
            numbered.append(replace(ticket, number=f"{prefix}{serial:06d}"))
    return tuple(numbered)


def spoil_tickets(
    tickets: Sequence[Ticket], plates: Sequence[str], rng: np.random.Generator
) -> tuple[tuple[Ticket, ...], tuple[WrongTicket, ...]]:
    """The tickets by time, with about one trade ticket in two hundred wrong, and a few that contradict another."""
    spoiled = list(tickets)
    wrong: list[WrongTicket] = []
    trade = [index for index, ticket in enumerate(tickets) if ticket.purpose == "trade"]
    for index in trade:
        if rng.random() < WRONG_SHARE:
            spoiled[index], fault = _spoil(tickets[index], plates, rng)
            wrong.append(_remember(tickets[index], fault))
    for count in range(min(len(plates) // VEHICLES_PER_CONTRADICTION, len(trade))):
        original = tickets[trade[int(rng.integers(len(trade)))]]
        contradicting, fault = _contradict(original, count, rng)
        spoiled.append(contradicting)
        wrong.append(_remember(contradicting, fault))
    return tuple(sorted(spoiled, key=lambda each: (each.weighed_at, each.site, each.number))), tuple(wrong)


def _spoil(ticket: Ticket, plates: Sequence[str], rng: np.random.Generator) -> tuple[Ticket, str]:
    others = [plate for plate in plates if plate != ticket.plate]
    if others and rng.random() < 0.4:
        return replace(ticket, plate=others[int(rng.integers(len(others)))]), "swapped plate"
    digits = str(ticket.gross_kg)
    unequal = [place for place in range(len(digits) - 1) if digits[place] != digits[place + 1]]
    # Transposing the first two may turn 12 t into 21 t or 30 t into 03 t: the others stay credible.
    place = unequal[min(1, len(unequal) - 1)]
    transposed = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
    return replace(ticket, gross_kg=int(transposed)), "transposed digits"


def _contradict(ticket: Ticket, count: int, rng: np.random.Generator) -> tuple[Ticket, str]:
    if count % 2 == 0:
        other_kg = ticket.gross_kg + int(rng.integers(40, 90)) * 20
        return replace(ticket, gross_kg=other_kg), "same number, another weight"
    site = OWN_BRIDGE if ticket.site != OWN_BRIDGE else FEEDMILL_BRIDGE
    elsewhere = replace(
        ticket,
        site=site,
        number=f"{_NUMBERING[site][0]}9{int(rng.integers(10000, 99999))}",
        weighed_at=ticket.weighed_at + timedelta(minutes=4),
        group_references_kg=(),
        group_displays_kg=(),
    )
    return elsewhere, "at two places within minutes"


def _remember(ticket: Ticket, fault: str) -> WrongTicket:
    return WrongTicket(ticket.site, ticket.number, ticket.plate, fault)
