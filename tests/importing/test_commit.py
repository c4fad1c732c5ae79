import gc
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from fleetcal.fleet.models import Policy
from fleetcal.fleet.services.policies import add_policy_version
from fleetcal.importing import dry_run
from fleetcal.importing.commit import commit
from fleetcal.importing.sources import save_source
from fleetcal.ledger.refusals import Refused
from fleetcal.records.check_desk import CheckDesk
from fleetcal.records.models import Check, TicketSource
from fleetcal.records.services import checks
from tests.factories import make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.importing.test_tickets import GOOD, MAPPING, file_of, plan_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def source() -> TicketSource:
    make_policy()
    make_system(make_vehicle("KJ-204"))
    return save_source("Quarry", MAPPING, instrument=make_instrument(), actor=make_user())


@pytest.fixture
def desks(monkeypatch: pytest.MonkeyPatch) -> list[CheckDesk]:
    """The desks set up while recording, as opposed to while planning."""
    made: list[CheckDesk] = []

    def make(*args: Any, **kwargs: Any) -> CheckDesk:
        made.append(CheckDesk(*args, **kwargs))
        return made[-1]

    monkeypatch.setattr(checks, "CheckDesk", make)
    return made


def test_the_registers_are_read_once_for_plan_and_record(
    source: TicketSource, desks: list[CheckDesk]
) -> None:
    commit(plan_of(file_of(*GOOD), source), actor=make_user(), with_good_rows_only=False)
    assert Check.objects.count() == 3
    assert desks == []


def test_what_was_recorded_since_the_plan_is_judged_by(source: TicketSource, desks: list[CheckDesk]) -> None:
    planned = plan_of(file_of(GOOD[0]), source)
    judged = planned.previews[0].judged
    assert judged is not None
    version = add_policy_version(
        policy=Policy.objects.get(),
        actor=make_user(),
        effective_from=date(2026, 1, 1),
        note="Half of it will do.",
        values={"gross_percent": Decimal("0.5")},
    )
    commit(planned, actor=make_user(), with_good_rows_only=False)
    assert len(desks) == 1
    check = Check.objects.get()
    assert check.policy_version == version
    assert check.policy_version != judged.version
    limit_kg = check.results.get(subject=0).limit_kg
    assert limit_kg is not None
    assert judged.outcome.gross.limit_kg is not None
    assert float(limit_kg) < judged.outcome.gross.limit_kg


def test_the_search_for_cycles_rests_meanwhile_and_goes_on_afterwards(
    source: TicketSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[bool] = []
    read = dry_run.read_tickets
    monkeypatch.setattr(dry_run, "read_tickets", lambda *args: (seen.append(gc.isenabled()), read(*args))[1])
    plan_of(file_of(*GOOD), source)
    with pytest.raises(Refused):
        plan_of(b"a,b\n1,2\n", source)
    assert seen == [False]
    assert gc.isenabled()
