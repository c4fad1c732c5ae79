"""What an entry changed in the register, told from the ledger's data alone."""

from datetime import UTC, datetime
from typing import Any

from fleetcal.ledger.selectors import EntryView
from fleetcal.reports.register_changes import list_register_changes

AT = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
VEHICLE = {
    "id": "v",
    "registration": "KJ-204",
    "max_gross_kg": "26000.000",
    "depot": "d1",
    "vin": None,
    "retired_on": None,
}


def entry(seq: int, rows: dict[str, list[dict[str, Any]]]) -> EntryView:
    return EntryView(seq, "v", seq, "0" * 64, AT, "t.osgarde", "vehicle.changed", "", {"rows": rows}, b"")


def test_a_change_says_what_it_was_and_what_it_is():
    entries = [
        entry(
            0,
            {"fleet.vehicle": [VEHICLE], "fleet.axle": [{"id": "a", "number": 1}, {"id": "b", "number": 2}]},
        ),
        entry(1, {"records.check": [{"id": "c"}]}),
        entry(2, {"fleet.vehicle": [VEHICLE | {"max_gross_kg": "24000.000", "depot": "d2", "vin": "X"}]}),
        entry(3, {"fleet.vehicle": [VEHICLE | {"max_gross_kg": "24000.000", "depot": "d2", "vin": "X"}]}),
    ]
    told = {
        change.entry.seq: change.changes
        for change in list_register_changes(entries, {"d1": "MIL", "d2": "FEN"})
    }
    assert told == {
        0: ("1 vehicle entered", "2 axles entered"),
        2: (
            "vehicle KJ-204, maximum gross weight (rating plate): from 26000.000 to 24000.000",
            "vehicle KJ-204, depot: from MIL to FEN",
            "vehicle KJ-204, VIN: from nothing to X",
        ),
        3: ("nothing but the entry itself",),
    }
