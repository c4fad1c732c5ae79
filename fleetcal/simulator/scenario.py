"""The invented haulier: its depots, people, reference instruments and policy.

Every name, plate, serial and certificate number is made up.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleetcal.simulator.vehicles import Vehicle, draw_vehicles

COMPANY = "Brackwell & Tarn Bulk Haulage"


@dataclass(frozen=True, slots=True)
class Depot:
    code: str
    name: str


@dataclass(frozen=True, slots=True)
class Person:
    """`depots` is empty for somebody who works for all of them."""

    username: str
    full_name: str
    role: str
    depots: tuple[str, ...]
    unit: str = "kg"


@dataclass(frozen=True, slots=True)
class Certificate:
    """`points` holds (load in kg, expanded uncertainty U in kg with coverage factor k)."""

    number: str
    issued_on: date
    valid_until: date
    issuer: str
    k: str
    points: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Instrument:
    name: str
    kind: str
    scale_class: str
    e_kg: int
    d_kg: int
    capacity_kg: int
    owner: str
    serial: str
    depot: str
    approach_level: bool
    certificates: tuple[Certificate, ...]

    def is_valid(self, on_day: date) -> bool:
        return any(each.issued_on <= on_day <= each.valid_until for each in self.certificates)


@dataclass(frozen=True, slots=True)
class Scenario:
    """Days are counted from `epoch`; `horizon_days` days are lived, the last one being `until`."""

    epoch: date
    horizon_days: int
    depots: tuple[Depot, ...]
    people: tuple[Person, ...]
    instruments: tuple[Instrument, ...]
    vehicles: tuple[Vehicle, ...]

    @property
    def until(self) -> date:
        return self.epoch + timedelta(days=self.horizon_days - 1)

    def instrument(self, serial: str) -> Instrument:
        return next(each for each in self.instruments if each.serial == serial)

    def usernames(self, role: str, depot: str) -> tuple[str, ...]:
        """Who does this at the depot, those who work everywhere included."""
        return tuple(
            each.username
            for each in self.people
            if each.role == role and (not each.depots or depot in each.depots)
        )


DEPOTS = (Depot("MIL", "Millbridge"), Depot("FEN", "Fennow Wharf"), Depot("SKE", "Skerrow Mill"))

PEOPLE = (
    Person("a.lindqvale", "Aneira Lindqvale", "administrator", ()),
    Person("t.osgarde", "Tobin Osgarde", "manager", ()),
    Person("m.ferrowby", "Maud Ferrowby", "manager", ("FEN",)),
    Person("r.dunmarsh", "Rhys Dunmarsh", "technician", ("MIL",)),
    Person("k.velloway", "Kari Velloway", "technician", ("MIL", "SKE")),
    Person("j.stanmere", "Joss Stanmere", "technician", ("FEN",), "lb"),
    Person("i.corrigale", "Ines Corrigale", "technician", ("SKE",)),
    Person("b.hartwyn", "Bram Hartwyn", "workshop", ("MIL",)),
    Person("o.pellridge", "Orla Pellridge", "workshop", ("FEN",)),
    Person("s.quennelby", "Sef Quennelby", "workshop", ("SKE",)),
    Person("n.ashgrovely", "Nell Ashgrovely", "clerk", ("MIL",)),
    Person("d.wexhamley", "Dario Wexhamley", "clerk", ("FEN", "SKE")),
    Person("l.trevanne", "Lowri Trevanne", "compliance", ()),
)

OWN_BRIDGE = "WB60-1187"
QUARRY_BRIDGE = "QB-0429"
FEEDMILL_BRIDGE = "FM-7731"
PADS_MILLBRIDGE = "PD-2206"
PADS_TRAVELLING = "PD-2214"

# The own bridge's last renewal came this late, and the feed mill's has not come yet.
OWN_BRIDGE_LATE_DAYS = 19
FEEDMILL_LAPSED_DAYS = 40
TRAVELLING_PADS_EXPIRE_IN_DAYS = 12


def build_scenario(*, vehicles: int, years: float, until: date, rng: np.random.Generator) -> Scenario:
    """The haulier with `vehicles` vehicles over the `years` that end on `until`.

    Refuses fewer than one vehicle and less than a quarter of a year, which leaves no room for a calibration.
    """
    if vehicles < 1:
        raise ValueError(f"{vehicles} vehicles asked for: at least 1 is needed")
    if years < 0.25:
        raise ValueError(f"{years:g} years asked for: at least 0.25 is needed")
    horizon_days = round(365.25 * years)
    epoch = until - timedelta(days=horizon_days - 1)
    return Scenario(
        epoch=epoch,
        horizon_days=horizon_days,
        depots=DEPOTS,
        people=PEOPLE,
        instruments=_list_instruments(epoch, until),
        vehicles=draw_vehicles(
            vehicles,
            depots=tuple(each.code for each in DEPOTS),
            epoch=epoch,
            horizon_days=horizon_days,
            rng=rng,
        ),
    )


def _list_instruments(epoch: date, until: date) -> tuple[Instrument, ...]:
    bridge_points = ((5000, 8), (20000, 14), (40000, 24), (60000, 36))
    pad_points = ((1000, 20), (5000, 40), (10000, 70))
    own = _renew_yearly("BT-C", until + timedelta(days=150), epoch, "Norrel Weights Office", bridge_points)
    return (
        Instrument(
            "Millbridge weighbridge", "weighbridge", "III", 20, 20, 60000, COMPANY, OWN_BRIDGE, "MIL", True,
            _renew_late(own, OWN_BRIDGE_LATE_DAYS),
        ),
        Instrument(
            "Coldharrow Quarry weighbridge", "weighbridge", "III", 20, 20, 60000, "Coldharrow Quarry",
            QUARRY_BRIDGE, "FEN", True,
            _renew_yearly("CQ-", until + timedelta(days=240), epoch, "Norrel Weights Office", bridge_points),
        ),
        Instrument(
            "Saltmere Feed Mill weighbridge", "weighbridge", "III", 20, 20, 60000, "Saltmere Feed Mill",
            FEEDMILL_BRIDGE, "SKE", False,
            _renew_yearly(
                "SF-", until - timedelta(days=FEEDMILL_LAPSED_DAYS), epoch, "Hexley Metrology", bridge_points
            ),
        ),
        Instrument(
            "Millbridge pads", "pads", "IIII", 50, 50, 10000, COMPANY, PADS_MILLBRIDGE, "MIL", True,
            _renew_yearly("HX-P1-", until + timedelta(days=200), epoch, "Hexley Metrology", pad_points),
        ),
        Instrument(
            "Travelling pads", "pads", "IIII", 50, 50, 10000, COMPANY, PADS_TRAVELLING, "FEN", True,
            _renew_yearly(
                "HX-P2-",
                until + timedelta(days=TRAVELLING_PADS_EXPIRE_IN_DAYS),
                epoch,
                "Hexley Metrology",
                pad_points,
            ),
        ),
    )  # fmt: skip


def _renew_yearly(
    prefix: str, last_valid_until: date, epoch: date, issuer: str, points: tuple[tuple[int, int], ...]
) -> tuple[Certificate, ...]:
    """Certificates of one year each, without a gap, from before the epoch to `last_valid_until`."""
    certificates = []
    valid_until = last_valid_until
    while valid_until >= epoch:
        issued_on = valid_until - timedelta(days=364)
        number = f"{prefix}{issued_on:%y%m}"
        certificates.append(Certificate(number, issued_on, valid_until, issuer, "2", points))
        valid_until = issued_on - timedelta(days=1)
    return tuple(reversed(certificates))


def _renew_late(certificates: tuple[Certificate, ...], days: int) -> tuple[Certificate, ...]:
    """The same with the one before the last ended early, so that a gap of `days` precedes the last."""
    if len(certificates) < 2:
        return certificates
    *earlier, early_end, last = certificates
    shortened = Certificate(
        early_end.number,
        early_end.issued_on,
        early_end.valid_until - timedelta(days=days),
        early_end.issuer,
        early_end.k,
        early_end.points,
    )
    return (*earlier, shortened, last)
