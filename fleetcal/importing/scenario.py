"""Setting up a fleet from a scenario: depots, people, instruments with certificates, the policy and the ticket sources.

The demo uses it; the files of vehicles and records are then imported like anybody's.
"""

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from django.db import transaction

from fleetcal.accounts.models import User
from fleetcal.accounts.services import NewAccount, create_account
from fleetcal.fleet.models import Depot, Instrument
from fleetcal.fleet.services.depots import DepotDraft, grant_depots, register_depot
from fleetcal.fleet.services.instruments import (
    InstrumentDraft,
    NewCertificate,
    record_certificate,
    register_instrument,
)
from fleetcal.fleet.services.policies import NewPolicy, create_policy
from fleetcal.importing.mapping import from_json
from fleetcal.importing.sources import save_source


@transaction.atomic
def load_scenario(
    scenario: Mapping[str, Any], sources: list[dict[str, Any]], *, password: str, time_zone: str
) -> User:
    """Everything of *scenario*, or nothing; gives the first manager, who imports the files."""
    people = {person["username"]: _account(person, password, time_zone) for person in scenario["people"]}
    administrator = next(user for user in people.values() if user.role == "administrator")
    depots = {
        row["code"]: register_depot(
            DepotDraft(row["code"], row["name"], time_zone=time_zone), actor=administrator
        )
        for row in scenario["depots"]
    }
    for person in scenario["people"]:
        if person["depots"] != "all":
            grant_depots(
                people[person["username"]], [depots[code] for code in person["depots"]], actor=administrator
            )
    instruments = {row["serial"]: _instrument(row, depots, administrator) for row in scenario["instruments"]}
    policy = scenario["policy"]
    create_policy(
        NewPolicy(policy["name"]),
        actor=administrator,
        effective_from=date.fromisoformat(policy["effective_from"]),
        values={
            "gross_percent": Decimal(policy["gross_percent"]),
            "group_percent": Decimal(policy["group_percent"]),
            "basis": policy["basis"],
        },
    )
    for source in sources:
        mapping = from_json(source["mapping"] | {"time_zone": time_zone})
        save_source(
            source["name"], mapping, instrument=instruments[source["instrument"]], actor=administrator
        )
    return next(user for user in people.values() if user.role == "manager" and user.all_depots)


def _account(person: Mapping[str, Any], password: str, time_zone: str) -> User:
    return create_account(
        NewAccount(
            username=person["username"],
            role=person["role"],
            full_name=person["full_name"],
            password=password,
            unit=person["unit"],
            time_zone=time_zone,
            all_depots=person["depots"] == "all",
        )
    )


def _instrument(row: Mapping[str, Any], depots: Mapping[str, Depot], actor: User) -> Instrument:
    instrument = register_instrument(
        InstrumentDraft(
            name=row["name"],
            kind=row["kind"],
            scale_class=row["scale_class"],
            e_kg=Decimal(row["e_kg"]),
            d_kg=Decimal(row["d_kg"]),
            capacity_kg=Decimal(row["capacity_kg"]),
            owner=row["owner"],
            serial=row["serial"],
            depot_id=depots[row["depot"]].pk if row["depot"] else None,
            has_level_approach=row["approach_level"],
        ),
        actor=actor,
    )
    for each in row["certificates"]:
        certificate = NewCertificate(
            number=each["number"],
            issuer=each["issuer"],
            verified_on=date.fromisoformat(each["issued_on"]),
            valid_until=date.fromisoformat(each["valid_until"]),
            k=Decimal(each["k"]),
            points=tuple((Decimal(load), Decimal(expanded)) for load, expanded in each["points"]),
        )
        record_certificate(certificate, actor=actor, instrument=instrument)
    return instrument
