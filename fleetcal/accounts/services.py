"""Accounts are kept by the framework; that one changed, and how it stands, is written to the fleet's stream."""

from dataclasses import dataclass
from zoneinfo import available_timezones

from django.core.exceptions import ValidationError
from django.db import transaction

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Role
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import FLEET_STREAM, Draft, record


@dataclass(frozen=True, slots=True)
class NewAccount:
    username: str
    role: str
    full_name: str = ""
    password: str | None = None
    unit: str = "kg"
    time_zone: str = "UTC"
    all_depots: bool = False


def create_account(draft: NewAccount, *, actor: User | None = None) -> User:
    """Without *actor*, the account stands as its own author: the first one of an empty fleet."""
    first, _, last = draft.full_name.strip().partition(" ")
    user = User(
        username=draft.username.strip(),
        role=draft.role,
        first_name=first,
        last_name=last,
        unit=draft.unit,
        time_zone=draft.time_zone,
        all_depots=draft.all_depots,
        is_staff=draft.role == Role.ADMINISTRATOR,
    )
    user.set_password(draft.password)
    return save_account(user, actor=actor)


@transaction.atomic
def save_account(user: User, *, actor: User | None = None, what: str = "") -> User:
    """Keep *user* as it stands. The entry holds what decides about rights, not the person's name or address."""
    if user.time_zone not in available_timezones():
        raise Refused(f"“{user.time_zone}” is no time zone; write it like Europe/Berlin.", field="time_zone")
    try:
        user.full_clean(exclude=["password"])
    except ValidationError as error:
        field, messages = next(iter(error.message_dict.items()))
        raise Refused(messages[0], field="" if field == "__all__" else field) from error
    user.save()
    record(
        Draft(
            stream=FLEET_STREAM,
            kind="account.changed",
            actor=(actor or user).username,
            data={
                "username": user.username,
                "role": str(user.role),
                "is_active": user.is_active,
                "is_superuser": user.is_superuser,
                "unit": str(user.unit),
                "time_zone": user.time_zone,
                "all_depots": user.all_depots,
                "what": what or "saved",
            },
        )
    )
    return user


@dataclass(frozen=True, slots=True)
class Preferences:
    first_name: str
    last_name: str
    unit: str
    time_zone: str


def change_preferences(user: User, preferences: Preferences) -> User:
    """What a person decides about their own account."""
    stored = User.objects.get(pk=user.pk)
    stored.first_name = preferences.first_name.strip()
    stored.last_name = preferences.last_name.strip()
    stored.unit = preferences.unit
    stored.time_zone = preferences.time_zone
    return save_account(stored, actor=user, what="preferences")
