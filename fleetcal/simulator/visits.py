"""Where a vehicle goes to be weighed, and the tickets it brings back: comparisons and everyday loads."""

from __future__ import annotations

from fleetcal.simulator.diary import Diary
from fleetcal.simulator.scenario import (
    FEEDMILL_BRIDGE,
    OWN_BRIDGE,
    PADS_MILLBRIDGE,
    PADS_TRAVELLING,
    QUARRY_BRIDGE,
)
from fleetcal.simulator.tickets import Ticket, write_ticket
from fleetcal.simulator.truth import DAYS_PER_YEAR
from fleetcal.simulator.weighing import BAD_DAY_FACTOR, BAD_DAY_SHARE, Reference, empty_kg

TICKETS_PER_YEAR = 12.0


def choose_scale(diary: Diary, day: int) -> tuple[Reference, Reference | None]:
    """The instrument, and the weighbridge that gives the gross in one draft besides a pair of pads.

    Trailers cannot board a bridge axle by axle without their tractor, so they stand on pads.
    """
    at_millbridge = diary.vehicle.depot == "MIL"
    kind = diary.vehicle.layout.kind
    bridge_valid = diary.scenario.instrument(OWN_BRIDGE).is_valid(diary.moment(day).date())
    bridge = diary.references[OWN_BRIDGE] if at_millbridge and bridge_valid else None
    if bridge is not None and kind != "trailer" and diary.rng.random() < 0.6:
        return bridge, None
    pads = diary.references[PADS_MILLBRIDGE if at_millbridge else PADS_TRAVELLING]
    return pads, bridge if kind == "rigid" else None


def choose_check_site(diary: Diary) -> str:
    if diary.vehicle.layout.kind != "rigid":
        return QUARRY_BRIDGE
    share_at_the_quarry = {"MIL": 0.35, "FEN": 0.9, "SKE": 0.7}[diary.vehicle.depot]
    return QUARRY_BRIDGE if diary.rng.random() < share_at_the_quarry else OWN_BRIDGE


def compare(diary: Diary, site: str, day: float, purpose: str) -> Ticket:
    """A comparison near full load, with two settled readings where the site's file has room for them."""
    moment = diary.moment(day)
    ticket = write_ticket(
        diary.vehicle,
        diary.history,
        diary.references[site],
        float(diary.rng.uniform(0.92, 0.98)) * diary.vehicle.layout.max_gross_kg,
        moment,
        day,
        purpose,
        diary.rng,
        readings=1 if site == FEEDMILL_BRIDGE else 2,
    )
    diary.tickets.append(ticket)
    return ticket


def trade(diary: Diary) -> None:
    """The everyday tickets, from the first day on which the display was of any use."""
    rng, taught_day = diary.rng, diary.first_taught_day
    first_day = diary.fitted_day + 2 if taught_day is None else int(taught_day) + 1
    remaining_days = diary.scenario.horizon_days - first_day
    if remaining_days < 1:
        return
    for _ in range(int(rng.poisson(TICKETS_PER_YEAR * remaining_days / DAYS_PER_YEAR))):
        whole_day = int(rng.integers(first_day, diary.scenario.horizon_days))
        if diary.moment(whole_day).weekday() == 6:
            whole_day -= 1
        day = whole_day + int(rng.integers(6 * 60, 18 * 60)) / 1440.0
        diary.tickets.append(
            write_ticket(
                diary.vehicle,
                diary.history,
                diary.references[_choose_trade_site(diary)],
                _choose_trade_load_kg(diary),
                diary.moment(day),
                day,
                "trade",
                rng,
                noise_factor=BAD_DAY_FACTOR if rng.random() < BAD_DAY_SHARE else 1.0,
            )
        )


def _choose_trade_site(diary: Diary) -> str:
    if diary.vehicle.layout.kind != "rigid":
        return QUARRY_BRIDGE
    shares = {"MIL": (0.6, 0.25, 0.15), "FEN": (0.1, 0.75, 0.15), "SKE": (0.15, 0.25, 0.6)}[
        diary.vehicle.depot
    ]
    return str(diary.rng.choice([OWN_BRIDGE, QUARRY_BRIDGE, FEEDMILL_BRIDGE], p=shares))


def _choose_trade_load_kg(diary: Diary) -> float:
    """Mostly near full, some part loads, and some weighed empty before loading."""
    layout, kind = diary.vehicle.layout, diary.rng.random()
    if kind < 0.15:
        return empty_kg(layout, diary.rng)
    low, high = (0.60, 0.80) if kind < 0.35 else (0.82, 0.99)
    return float(diary.rng.uniform(low, high)) * layout.max_gross_kg
