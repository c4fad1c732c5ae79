import pytest

from fleetcal.fleet.models import Depot, DepotAccess
from fleetcal.fleet.selectors import depots_for, vehicles_for
from fleetcal.fleet.services.depots import (
    DepotDraft,
    change_depot,
    grant_depots,
    register_depot,
    set_people_of_depot,
)
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.ledger.verification import verify
from tests.factories import make_depot, make_user, make_vehicle, registrar

pytestmark = pytest.mark.django_db


def test_a_depot_is_registered_and_changed() -> None:
    depot = register_depot(DepotDraft(" mil ", "Millbridge"), actor=make_user())
    assert depot.code == "MIL"
    change_depot(depot, DepotDraft("MIL", "Millbridge yard", time_zone="Europe/Berlin"), actor=make_user())
    assert Depot.objects.get().name == "Millbridge yard"
    assert [entry.kind for entry in entries_of(FLEET_STREAM)][-2:] == ["depot.registered", "depot.changed"]
    assert list(verify()) == []


@pytest.mark.parametrize(
    ("draft", "field"),
    [
        (DepotDraft("M", "Millbridge"), "code"),
        (DepotDraft("MIL", ""), "name"),
        (DepotDraft("FEN", "Another"), "code"),
        (DepotDraft("MIL", "Millbridge", time_zone="Here/There"), "time_zone"),
    ],
)
def test_a_depot_that_cannot_be_is_refused_and_leaves_nothing(draft: DepotDraft, field: str) -> None:
    make_depot("FEN")
    before = len(entries_of(FLEET_STREAM))
    with pytest.raises(Refused) as refusal:
        register_depot(draft, actor=registrar())
    assert refusal.value.field == field
    assert (len(entries_of(FLEET_STREAM)), Depot.objects.count()) == (before, 1)


def test_a_person_works_with_exactly_the_depots_granted() -> None:
    mil, fen = make_depot("MIL"), make_depot("FEN")
    vehicle = make_vehicle(depot=mil)
    clerk = make_user("n.ashgrovely", role="clerk", all_depots=False)
    grant_depots(clerk, [mil, fen], actor=registrar())
    assert list(vehicles_for(clerk)) == [vehicle]
    grant_depots(clerk, [fen], actor=registrar())
    assert (depots_for(clerk), list(vehicles_for(clerk))) == ([fen], [])
    before = len(entries_of(FLEET_STREAM))
    grant_depots(clerk, [fen], actor=registrar())
    assert len(entries_of(FLEET_STREAM)) == before
    assert list(verify()) == []


def test_the_people_of_a_depot_are_set_without_touching_their_other_depots() -> None:
    mil, fen = make_depot("MIL"), make_depot("FEN")
    one = make_user("one", role="clerk", depots=(mil, fen))
    two = make_user("two", role="clerk", all_depots=False)
    set_people_of_depot(mil, [two], actor=registrar())
    assert (depots_for(one), depots_for(two)) == ([fen], [mil])
    assert DepotAccess.objects.filter(depot=mil).count() == 2
    assert entries_of(FLEET_STREAM)[-1].kind == "account.changed"
