from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar
from zoneinfo import available_timezones

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Depot, DepotAccess
from fleetcal.fleet.services.rows import checked, write
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import FLEET_STREAM, Draft

Key = TypeVar("Key")


@dataclass(frozen=True, slots=True)
class DepotDraft:
    code: str
    name: str
    address: str = ""
    time_zone: str = "UTC"
    is_closed: bool = False


def register_depot(draft: DepotDraft, *, actor: User) -> Depot:
    depot = _filled(Depot(), draft)
    write([Draft(stream=FLEET_STREAM, kind="depot.registered", actor=actor.username, rows=[depot])])
    return depot


def change_depot(depot: Depot, draft: DepotDraft, *, actor: User, reason: str = "") -> Depot:
    """Closing a depot is a change too; its vehicles must have moved before."""
    if draft.is_closed:
        left = depot.vehicles.in_service().count()
        if left:
            raise Refused(
                f"{depot.code} is still the home of {left} vehicle{'s' if left > 1 else ''} in service: move or retire first.",
                field="is_closed",
            )
    changed = _filled(Depot.objects.get(pk=depot.pk), draft)
    write(
        [
            Draft(
                stream=FLEET_STREAM, kind="depot.changed", actor=actor.username, rows=[changed], reason=reason
            )
        ]
    )
    return changed


def grant_depots(user: User, depots: Iterable[Depot], *, actor: User) -> None:
    """Let *user* work with exactly these depots from now on."""
    wanted = {depot.pk: depot for depot in depots}
    rows = _access_rows(
        existing={access.depot_id: access for access in DepotAccess.objects.filter(user=user)},
        wanted=wanted.keys(),
        make=lambda pk: DepotAccess(user=user, depot=wanted[pk]),
    )
    _write_access(rows, [user], actor)


def set_people_of_depot(depot: Depot, users: Iterable[User], *, actor: User) -> None:
    """Let exactly these people work with *depot*, beside those who see every depot."""
    wanted = {user.pk: user for user in users}
    existing = {
        access.user_id: access
        for access in DepotAccess.objects.filter(depot=depot).select_related("user", "depot")
    }
    rows = _access_rows(
        existing=existing,
        wanted=wanted.keys(),
        make=lambda pk: DepotAccess(user=wanted[pk], depot=depot),
    )
    _write_access(rows, [row.user for row in rows], actor)


def _access_rows(
    existing: Mapping[Key, DepotAccess], wanted: Collection[Key], make: Callable[[Key], DepotAccess]
) -> list[DepotAccess]:
    rows = [make(key) for key in wanted if key not in existing]
    for key, access in existing.items():
        if access.is_granted != (key in wanted):
            access.is_granted = key in wanted
            rows.append(access)
    return rows


def _write_access(rows: list[DepotAccess], users: list[User], actor: User) -> None:
    if rows:
        names = sorted({user.username for user in users})
        write(
            [
                Draft(
                    stream=FLEET_STREAM,
                    kind="account.changed",
                    actor=actor.username,
                    rows=rows,
                    data={"usernames": names},
                )
            ]
        )


def _filled(depot: Depot, draft: DepotDraft) -> Depot:
    if draft.time_zone not in available_timezones():
        raise Refused(f"“{draft.time_zone}” is no time zone; write it like Europe/Berlin.", field="time_zone")
    depot.code = draft.code.strip().upper()
    depot.name = draft.name.strip()
    depot.address = draft.address.strip()
    depot.time_zone = draft.time_zone
    depot.is_closed = draft.is_closed
    return checked(depot)
