from datetime import UTC, date, datetime

import pytest
import time_machine
from django.core.mail import EmailMessage

from fleetcal.accounts.models import User
from fleetcal.evaluation.services import evaluate
from fleetcal.fleet.models import Depot
from fleetcal.tasks.background import remind
from fleetcal.tasks.models import Job
from fleetcal.tasks.reminders import LONGEST_LIST, reminders_due
from tests.factories import make_depot, make_policy, make_system, make_user, make_vehicle
from tests.rows import at, write_calibration, write_repair

pytestmark = pytest.mark.django_db
TODAY = date(2026, 3, 2)
MORNING = datetime(2026, 3, 2, 5, 30, tzinfo=UTC)


def person(username: str, *depots: Depot, role: str = "manager", email: str | None = None) -> User:
    user = make_user(username, role=role, depots=depots)
    User.objects.filter(pk=user.pk).update(email=f"{username}@haulage.example" if email is None else email)
    user.refresh_from_db()
    return user


def broken(registration: str, depot: Depot) -> None:
    vehicle = make_vehicle(registration, layout="rigid2", depot=depot)
    make_system(vehicle)
    write_calibration(vehicle, at(date(2026, 2, 1)))
    write_repair(vehicle, at(date(2026, 2, 9)), "recalibrate group", [1])


@pytest.fixture
def two_depots() -> tuple[Depot, Depot]:
    """Millbridge with two broken vehicles and one in order, the quarry with one broken vehicle; all evaluated."""
    make_policy()
    millbridge, quarry = make_depot("MIL"), make_depot("QUA")
    for registration, depot in (("KJ-1", millbridge), ("KJ-2", millbridge), ("KJ-3", quarry)):
        broken(registration, depot)
    in_order = make_vehicle("KJ-9", layout="rigid2", depot=millbridge)
    make_system(in_order)
    write_calibration(in_order, at(date(2026, 2, 1)))
    evaluate(TODAY)
    return millbridge, quarry


def run() -> int:
    with time_machine.travel(MORNING, tick=False):
        return int(remind.apply().get())


def test_everybody_is_told_of_their_own_depots_once_a_day(
    two_depots: tuple[Depot, Depot], mailoutbox: list[EmailMessage]
) -> None:
    millbridge, quarry = two_depots
    person("mill", millbridge)
    person("quar", quarry)
    assert run() == 2
    assert run() == 0

    told = {mail.to[0]: mail for mail in mailoutbox}
    assert told.keys() == {"mill@haulage.example", "quar@haulage.example"}
    mill = told["mill@haulage.example"]
    assert mill.subject == "2 due on 2 Mar 2026"
    assert mill.body.splitlines() == [
        f"{plate} (MIL): Recalibrate by 9 Feb 2026, "
        "leaf spring replaced on 9 Feb 2026: axle group 1 must be calibrated again"
        for plate in ("KJ-1", "KJ-2")
    ]
    assert "KJ-3" in told["quar@haulage.example"].body
    assert "KJ-1" not in told["quar@haulage.example"].body


def test_the_next_day_brings_the_next_reminder(
    two_depots: tuple[Depot, Depot], mailoutbox: list[EmailMessage]
) -> None:
    person("mill", two_depots[0])
    assert run() == 1
    with time_machine.travel("2026-03-03T05:30Z", tick=False):
        assert remind.apply().get() == 1
    assert [mail.subject for mail in mailoutbox] == ["2 due on 2 Mar 2026", "2 due on 3 Mar 2026"]


def test_only_managers_with_an_address_and_something_due_are_told(two_depots: tuple[Depot, Depot]) -> None:
    millbridge, _ = two_depots
    told = person("mill", millbridge)
    person("clerk", millbridge, role="clerk")
    person("silent", millbridge, email="")
    person("idle", make_depot("NEW"))
    person("gone", millbridge)
    User.objects.filter(username="gone").update(is_active=False)
    assert [user.username for user in reminders_due(TODAY)] == [told.username]


def test_a_long_list_is_cut_and_says_so(
    two_depots: tuple[Depot, Depot], mailoutbox: list[EmailMessage], monkeypatch: pytest.MonkeyPatch
) -> None:
    person("mill", two_depots[0])
    monkeypatch.setattr("fleetcal.tasks.reminders.LONGEST_LIST", 1)
    assert LONGEST_LIST == 50
    run()
    [mail] = mailoutbox
    assert mail.subject == "2 due on 2 Mar 2026"
    assert mail.body.splitlines()[1:] == ["… and 1 more on the due list."]


def test_a_mail_that_cannot_be_sent_is_tried_again_and_the_others_are_not_sent_twice(
    two_depots: tuple[Depot, Depot], mailoutbox: list[EmailMessage], monkeypatch: pytest.MonkeyPatch
) -> None:
    millbridge, quarry = two_depots
    person("mill", millbridge)
    person("quar", quarry)
    real, away = EmailMessage.send, [True]

    def send(mail: EmailMessage, fail_silently: bool = False) -> int:
        if mail.to == ["quar@haulage.example"] and away.pop():
            away.append(False)
            raise ConnectionError("the mail server is away")
        away[:] = away or [False]
        return real(mail, fail_silently)

    monkeypatch.setattr(EmailMessage, "send", send)
    # Run in place, a retry follows at once.
    run()
    assert sorted(mail.to[0] for mail in mailoutbox) == ["mill@haulage.example", "quar@haulage.example"]
    assert set(Job.objects.values_list("state", flat=True)) == {"done"}
