import pytest
from django.test import Client
from django.urls import reverse

from fleetcal.accounts.models import User
from fleetcal.accounts.services import (
    NewAccount,
    Preferences,
    change_preferences,
    create_account,
    save_account,
)
from fleetcal.ledger.canonical import canonical_bytes
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.services import FLEET_STREAM
from tests.factories import make_user, signed_in

pytestmark = pytest.mark.django_db


def test_an_account_is_made_and_the_entry_holds_its_rights_and_not_its_name() -> None:
    user = create_account(
        NewAccount("n.ashgrovely", "clerk", "Nell Ashgrovely", "nine stout lorries"), actor=make_user()
    )
    assert user.check_password("nine stout lorries")
    assert (user.display_name, user.is_staff) == ("Nell Ashgrovely", False)
    entry = entries_of(FLEET_STREAM)[-1]
    assert (entry.kind, entry.actor) == ("account.changed", "t.osgarde")
    assert (entry.data["username"], entry.data["role"]) == ("n.ashgrovely", "clerk")
    assert b"Nell" not in canonical_bytes(entry.data)


def test_the_first_account_is_its_own_author() -> None:
    create_account(NewAccount("a.lindqvale", "administrator"))
    [entry] = entries_of(FLEET_STREAM)
    assert entry.actor == "a.lindqvale"


@pytest.mark.parametrize(
    ("account", "field"),
    [
        (NewAccount("t.osgarde", "clerk"), "username"),
        (NewAccount("", "clerk"), "username"),
        (NewAccount("x", "captain"), "role"),
        (NewAccount("x", "clerk", unit="st"), "unit"),
        (NewAccount("x", "clerk", time_zone="Here/There"), "time_zone"),
    ],
)
def test_an_account_that_cannot_be_is_refused_and_leaves_nothing(account: NewAccount, field: str) -> None:
    actor = make_user()
    with pytest.raises(Refused) as refusal:
        create_account(account, actor=actor)
    assert refusal.value.field == field
    assert (User.objects.count(), len(entries_of(FLEET_STREAM))) == (1, 1)


def test_a_failure_of_the_ledger_leaves_no_account(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(draft: object) -> None:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr("fleetcal.accounts.services.record", fail)
    with pytest.raises(RuntimeError):
        create_account(NewAccount("x", "clerk"))
    assert not User.objects.exists()


def test_preferences_change_nothing_that_decides_about_rights() -> None:
    user = make_user(role="clerk")
    user.role = "administrator"
    changed = change_preferences(user, Preferences("Tobin", "Osgarde", "lb", "Europe/Berlin"))
    assert (changed.role, changed.unit, changed.time_zone) == ("clerk", "lb", "Europe/Berlin")


ACCOUNT = {
    "first_name": "Nell",
    "last_name": "Ashgrovely",
    "email": "",
    "unit": "kg",
    "time_zone": "UTC",
    "role": "compliance",
    "is_active": "on",
    "username": "n.ashgrovely",
}


@pytest.fixture
def recovery(client: Client) -> Client:
    administrator = make_user("a.lindqvale", role="administrator")
    administrator.is_superuser = True
    save_account(administrator)
    return signed_in(client, "a.lindqvale")


def test_an_account_changed_in_the_admin_is_in_the_ledger(recovery: Client) -> None:
    user = make_user("n.ashgrovely", role="clerk")
    page = reverse("admin:accounts_user_change", args=[user.pk])
    assert recovery.get(page).status_code == 200
    assert recovery.post(page, ACCOUNT).status_code == 302
    entry = entries_of(FLEET_STREAM)[-1]
    assert (entry.actor, entry.data["username"], entry.data["role"]) == (
        "a.lindqvale",
        "n.ashgrovely",
        "compliance",
    )


def test_the_role_alone_opens_the_accounts(client: Client) -> None:
    create_account(NewAccount("a.lindqvale", "administrator"))
    page = reverse("admin:accounts_user_changelist")
    assert signed_in(client, "a.lindqvale").get(page).status_code == 200
    manager = make_user("m.ferrowby", role="manager")
    manager.is_staff = True
    save_account(manager)
    client.force_login(manager)
    assert client.get(page).status_code == 403


def test_an_account_is_made_in_the_admin(recovery: Client) -> None:
    page = reverse("admin:accounts_user_add")
    assert recovery.get(page).status_code == 200
    password = "nine stout lorries"
    filled = {
        "username": "new",
        "usable_password": "true",
        "password1": password,
        "password2": password,
        "role": "clerk",
    }
    assert recovery.post(page, filled).status_code == 302
    assert entries_of(FLEET_STREAM)[-1].data["what"] == "created"
    assert User.objects.get(username="new").check_password(password)


def test_a_password_set_by_the_administrator_is_in_the_ledger_and_the_password_is_not(
    recovery: Client,
) -> None:
    user = make_user("n.ashgrovely", role="clerk")
    page = reverse("admin:auth_user_password_change", args=[user.pk])
    filled = {"password1": "ten stout lorries", "password2": "ten stout lorries", "usable_password": "true"}
    assert recovery.post(page, filled).status_code == 302
    user.refresh_from_db()
    assert user.check_password("ten stout lorries")
    entry = entries_of(FLEET_STREAM)[-1]
    assert entry.data["what"] == "password changed"
    assert b"lorries" not in canonical_bytes(entry.data)


def test_accounts_are_never_deleted_and_nothing_else_is_in_the_admin(recovery: Client) -> None:
    user = make_user("n.ashgrovely", role="clerk")
    assert (
        recovery.post(reverse("admin:accounts_user_delete", args=[user.pk]), {"post": "yes"}).status_code
        == 403
    )
    index = recovery.get(reverse("admin:index")).content
    assert b"/admin/accounts/user/" in index
    assert b"/admin/auth/group/" not in index
