"""What tests start from, made through the services so that ledger and tables agree. Fixed values; every one can be overridden.

An object that stands already under the same name is given back, so that a test asks only for what it is about.
"""

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

from django.test import Client

from fleetcal.accounts.models import User
from fleetcal.accounts.services import NewAccount, create_account
from fleetcal.fleet.layouts import Layout
from fleetcal.fleet.models import Depot, Instrument, Policy, Vehicle, WeighingSystem
from fleetcal.fleet.selectors import shape_of
from fleetcal.fleet.services.depots import DepotDraft, grant_depots, register_depot
from fleetcal.fleet.services.instruments import (
    InstrumentDraft,
    NewCertificate,
    record_certificate,
    register_instrument,
)
from fleetcal.fleet.services.policies import ensure_default_policy
from fleetcal.fleet.services.systems import JunctionUnit, NewSensor, NewSystem, fit_system
from fleetcal.fleet.services.vehicles import NewVehicle, register_vehicle

IN_SERVICE_ON = date(2023, 3, 1)
FITTED_ON = date(2023, 4, 3)
VERIFIED_ON, VALID_UNTIL = date(2023, 1, 10), date(2030, 1, 9)


@dataclass(frozen=True, slots=True)
class Build:
    """A kind of vehicle with its plate's gross."""

    kind: str
    max_gross_kg: Decimal
    layout: Layout


def kg(*values: int) -> tuple[Decimal, ...]:
    return tuple(map(Decimal, values))


BUILDS = {
    "rigid2": Build(
        "rigid",
        Decimal(18_000),
        Layout(kg(8_000, 11_500), (4_800,), ((1,), (2,)), ("steel", "air"),
               steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,)),
    ),
    "rigid3": Build(
        "rigid",
        Decimal(26_000),
        Layout(kg(8_000, 11_500, 7_500), (4_500, 1_370), ((1,), (2, 3)), ("steel", "air"),
               steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,), lift_axles=(3,)),
    ),
    "rigid4": Build(
        "rigid",
        Decimal(32_000),
        Layout(kg(8_000, 8_000, 9_500, 9_500), (1_950, 3_200, 1_370), ((1,), (2,), (3, 4)), ("steel", "steel", "steel"),
               steered_axles=(1, 2), driven_axles=(3, 4), twin_tyred_axles=(3, 4)),
    ),
    "tractor2": Build(
        "tractor",
        Decimal(18_000),
        Layout(kg(7_500, 11_500), (3_700,), ((1,), (2,)), ("steel", "air"),
               steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,)),
    ),
    "trailer3": Build(
        "trailer",
        Decimal(24_000),
        Layout(kg(8_000, 8_000, 8_000), (1_310, 1_310), ((1, 2, 3),), ("air",)),
    ),
}  # fmt: skip


def make_user(
    username: str = "t.osgarde",
    *,
    role: str = "manager",
    all_depots: bool = True,
    depots: tuple[Depot, ...] = (),
    unit: str = "kg",
    time_zone: str = "UTC",
    full_name: str = "Tobin Osgarde",
    password: str | None = None,
) -> User:
    """With *depots*, access to those only. Without *password* nobody signs in with one, and no time goes into hashing it."""
    found = User.objects.filter(username=username).first()
    if found:
        return found
    draft = NewAccount(username, role, full_name, password, unit, time_zone, all_depots and not depots)
    user = create_account(draft)
    if depots:
        grant_depots(user, depots, actor=user)
    return user


def signed_in(client: Client, username: str = "t.osgarde", **fields: Any) -> Client:
    """*client* in the name of `make_user(username, **fields)`."""
    client.force_login(make_user(username, **fields))
    return client


def registrar() -> User:
    """Who recorded what a test does not attribute to anybody."""
    return make_user("registrar", role="administrator", full_name="Aneira Lindqvale")


def make_depot(code: str = "MIL", **fields: Any) -> Depot:
    draft = DepotDraft(**{"code": code, "name": "Millbridge" if code == "MIL" else f"Depot {code}", **fields})
    return Depot.objects.filter(code=code).first() or register_depot(draft, actor=registrar())


def make_vehicle(
    registration: str = "KJ-204", *, layout: str = "rigid3", depot: Depot | None = None, **fields: Any
) -> Vehicle:
    """*layout* names one of `BUILDS`; *fields* are those of `NewVehicle`."""
    found = Vehicle.objects.with_plate(registration).first()
    return found or register_vehicle(
        vehicle_draft(registration, layout=layout, depot=depot, **fields), actor=registrar()
    )


def vehicle_draft(
    registration: str = "KJ-204", *, layout: str = "rigid3", depot: Depot | None = None, **fields: Any
) -> NewVehicle:
    build = BUILDS[layout]
    draft = NewVehicle(
        fleet_number=f"F{registration}",
        registration=registration,
        kind=build.kind,
        depot_id=(depot or make_depot()).pk,
        max_gross_kg=build.max_gross_kg,
        in_service_on=IN_SERVICE_ON,
        layout=build.layout,
        registered_on=IN_SERVICE_ON,
    )
    return replace(draft, **fields)


def sensor_drafts(vehicle: Vehicle) -> tuple[NewSensor, ...]:
    """Two strain sensors on each axle of a steel or rubber group, one pressure sensor on the first axle of an air group."""
    sensors: list[NewSensor] = []
    for group in shape_of(vehicle).groups:
        if group.suspension == "air":
            channel = len(sensors) + 1
            sensors.append(
                NewSensor(
                    f"S-{channel:03}", channel, group.axles[0], "centre", "pressure", "air line", "piped"
                )
            )
            continue
        for axle in group.axles:
            for side in ("left", "right"):
                channel = len(sensors) + 1
                sensors.append(
                    NewSensor(
                        f"S-{channel:03}", channel, axle, side, "strain", "spring", "bonded", pivot="ahead"
                    )
                )
    return tuple(sensors)


def make_system(vehicle: Vehicle | None = None, **fields: Any) -> WeighingSystem:
    """A display with a full set of sensors, all in one junction unit; *fields* are those of `NewSystem`."""
    vehicle = vehicle or make_vehicle()
    sensors = fields.pop("sensors", None) or sensor_drafts(vehicle)
    unit = JunctionUnit(
        "JU1", tuple(sensor.channel for sensor in sensors), "left frame rail", "cable entries down"
    )
    draft = NewSystem(
        serial="D-1001",
        fitted_on=FITTED_ON,
        division_kg=Decimal(20),
        mode="group",
        supply_v=24,
        fuse_a=Decimal(3),
        sensors=sensors,
        junction_units=(unit,),
        alarm_gross_kg=vehicle.max_gross_kg,
    )
    return fit_system(replace(draft, **fields), actor=registrar(), vehicle=vehicle)


def make_instrument(
    name: str = "Millbridge weighbridge",
    *,
    certificate: bool = True,
    points: tuple[tuple[Decimal, Decimal], ...] = (),
    **fields: Any,
) -> Instrument:
    """A level class III weighbridge of e = 20 kg to 60 t; `kind="pads"` gives class IIII pads of e = 50 kg to 10 t."""
    found = Instrument.objects.filter(name=name).first()
    if found:
        return found
    pads = fields.get("kind") == "pads"
    draft = InstrumentDraft(
        name=name,
        kind="weighbridge",
        scale_class="IIII" if pads else "III",
        e_kg=Decimal(50 if pads else 20),
        d_kg=Decimal(50 if pads else 20),
        capacity_kg=Decimal(10_000 if pads else 60_000),
        owner="Brackwell & Tarn Bulk Haulage",
        serial=f"SN {name}"[:48],
        depot_id=make_depot().pk,
        has_level_approach=True,
    )
    instrument = register_instrument(replace(draft, **fields), actor=registrar())
    if certificate:
        record_certificate(
            NewCertificate("C-1", "Norrel Weights Office", VERIFIED_ON, VALID_UNTIL, points=points),
            actor=registrar(),
            instrument=instrument,
        )
    return instrument


def make_policy(effective_from: date = date(2020, 1, 1)) -> Policy:
    """The policy for all vehicles, version 1, with the defaults."""
    return ensure_default_policy(registrar(), effective_from)
