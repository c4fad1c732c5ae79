import threading
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction
from pytest_django import DjangoAssertNumQueries

from fleetcal.fleet.models import Depot, Instrument, InstrumentFinding
from fleetcal.ledger.canonical import NotCanonical
from fleetcal.ledger.chain import GENESIS, parse
from fleetcal.ledger.facts import NotErasable, new_id, payload_of, recorded_models
from fleetcal.ledger.models import Entry, Head
from fleetcal.ledger.selectors import (
    count_of,
    counts_of,
    digests_of,
    entries_of,
    entry_at,
    latest_entries,
)
from fleetcal.ledger.services import FLEET_STREAM, Draft, record, record_many
from fleetcal.ledger.verification import verify
from tests.factories import make_instrument, registrar
from tests.rows import recorded

pytestmark = pytest.mark.django_db


def depot(code: str = "NOR", **columns: Any) -> Depot:
    return Depot(code=code, name=f"Depot {code}", **columns)


def draft(*rows: Any, stream: str = FLEET_STREAM, **fields: Any) -> Draft:
    return Draft(**{"stream": stream, "kind": "depot.registered", "actor": "n.ashgrovely", "rows": rows, **fields})  # fmt: skip


def finding(instrument: Instrument, **columns: Any) -> InstrumentFinding:
    days = {"wrong_from": date(2026, 1, 1), "wrong_until": date(2026, 2, 1), "found_on": date(2026, 2, 2)}
    return InstrumentFinding(
        **{"instrument": instrument, "what": "a cell was loose", **days, **recorded(), **columns}
    )


def test_a_row_and_its_entry_are_written_together() -> None:
    row = depot()
    entry = record(draft(row, reason="opened in May", data={"phone": "none"}))

    stored = Depot.objects.get(code="NOR")
    assert stored.entry == entry
    assert (entry.stream, entry.seq, entry.kind, entry.actor) == (
        "fleet",
        0,
        "depot.registered",
        "n.ashgrovely",
    )
    members = parse(bytes(Entry.objects.get().body))
    assert members["prev"] == GENESIS
    assert members["reason"] == "opened in May"
    assert members["data"] == {"phone": "none", "rows": {"fleet.depot": [payload_of(stored)]}}
    assert Head.objects.get().digest == entry.digest


def test_each_entry_follows_the_one_before_it() -> None:
    entries = [record(draft(kind=f"kind {number}")) for number in range(3)]
    assert [entry.seq for entry in entries] == [0, 1, 2]
    assert [view.kind for view in entries_of(FLEET_STREAM)] == ["kind 0", "kind 1", "kind 2"]
    assert parse(bytes(entries[2].body))["prev"] == entries[1].digest
    # The salt keeps two equal contents apart.
    assert len({parse(bytes(entry.body))["salt"] for entry in entries}) == 3


def test_the_moment_of_an_entry_may_be_given() -> None:
    moment = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
    assert record(draft(at=moment)).at == moment


def test_many_streams_are_written_at_once_each_in_its_order() -> None:
    drafts = [draft(stream=f"stream {number % 7}", data={"number": number}) for number in range(1_203)]
    seen: list[int] = []
    entries = record_many(drafts, seen.append)

    assert [entry.stream for entry in entries] == [each.stream for each in drafts]
    assert counts_of() == {f"stream {number}": len(range(number, 1_203, 7)) for number in range(7)}
    assert [view.data["number"] for view in entries_of("stream 3")] == list(range(3, 1_203, 7))
    assert seen == [500, 1_000, 1_203]
    assert list(verify()) == []


def test_the_number_of_queries_does_not_grow_with_the_number_of_entries(
    django_assert_max_num_queries: DjangoAssertNumQueries,
) -> None:
    instrument = make_instrument()
    rows = [finding(instrument) for _ in range(400)]
    with django_assert_max_num_queries(20):
        record_many([draft(row) for row in rows])
    assert InstrumentFinding.objects.count() == 400


def second_row_fails() -> list[Draft]:
    return [draft(depot()), draft(depot("SOU"), depot("SOU"))]


def has_no_canonical_form() -> list[Draft]:
    return [draft(depot()), draft(data={"load": 1.5})]


def points_nowhere() -> list[Draft]:
    return [draft(depot()), draft(finding(make_instrument(), recorded_by_id=None))]


@pytest.mark.parametrize("fails", [second_row_fails, has_no_canonical_form, points_nowhere])
def test_a_failure_leaves_neither_row_nor_entry(fails: Any) -> None:
    registrar()
    drafts = fails()
    before = (Entry.objects.count(), list(Head.objects.values_list()), Depot.objects.count())
    with pytest.raises((IntegrityError, NotCanonical)), transaction.atomic():
        record_many(drafts)
    assert (Entry.objects.count(), list(Head.objects.values_list()), Depot.objects.count()) == before


def test_a_fact_is_written_once() -> None:
    row = finding(make_instrument())
    record(draft(row))
    stored = InstrumentFinding.objects.get()

    stored.what = "nothing"
    for forbidden in (
        stored.save,
        stored.delete,
        InstrumentFinding.objects.all().delete,
        lambda: InstrumentFinding.objects.update(what="nothing"),
    ):
        with pytest.raises(NotErasable, match="record a correction"):
            forbidden()
    with pytest.raises(IntegrityError), transaction.atomic():
        record(draft(row, kind="again"))
    assert InstrumentFinding.objects.get().what == "a cell was loose"


def test_a_register_row_changes_with_an_entry_for_each_of_its_states() -> None:
    row = depot()
    record(draft(row))
    row.name = "Norrel yard"
    second = record(draft(row, kind="depot.changed"))

    assert Depot.objects.get().name == "Norrel yard"
    assert Depot.objects.get().entry == second
    names = [view.data["rows"]["fleet.depot"][0]["name"] for view in entries_of(FLEET_STREAM)]
    assert names == ["Depot NOR", "Norrel yard"]
    assert list(verify()) == []


def test_a_decimal_is_stored_as_the_entry_tells_it() -> None:
    # SQLite and PostgreSQL round a half differently, so it is rounded before either sees it.
    row = Instrument(
        name="Norrel pads",
        kind="pads",
        scale_class="IIII",
        e_kg=Decimal("50.0005"),
        d_kg=Decimal("50.0015"),
        capacity_kg=Decimal(10_000),
        owner="Norrel Weights Office",
    )
    entry = record(draft(row))
    told = parse(bytes(entry.body))["data"]["rows"]["fleet.instrument"][0]
    assert (told["e_kg"], told["d_kg"], told["capacity_kg"]) == ("50.000", "50.002", "10000.000")
    assert list(verify()) == []


def test_text_is_told_in_one_normal_form() -> None:
    record(draft(depot(address="A\u030asgata 4")))
    [row] = entries_of(FLEET_STREAM)[0].data["rows"]["fleet.depot"]
    assert row["address"] == "\u00c5sgata 4"
    assert list(verify()) == []


def test_new_ids_sort_by_time_and_are_all_different() -> None:
    ids = [new_id() for _ in range(1_000)]
    assert len(set(ids)) == 1_000
    assert {value.version for value in ids} == {7}
    milliseconds = [value.int >> 80 for value in ids]
    assert milliseconds == sorted(milliseconds)


def test_no_recorded_table_holds_a_float() -> None:
    assert [
        error for model in recorded_models() for error in model.check() if error.id == "ledger.E001"
    ] == []


def test_the_selectors_hand_out_what_was_written() -> None:
    first, second = record(draft(kind="one")), record(draft(stream="other", kind="two"))

    view = entry_at("other", 0)
    assert view is not None
    assert (view.digest, view.kind, view.body) == (second.digest, "two", bytes(second.body))
    assert entry_at("other", 1) is None
    assert [view.kind for view in latest_entries(None, 5)] == ["two", "one"]
    assert [view.kind for view in latest_entries([FLEET_STREAM], 5)] == ["one"]
    assert digests_of([first.pk, second.pk]) == {first.pk: first.digest, second.pk: second.digest}
    assert (count_of("other"), count_of("nobody")) == (1, 0)


def test_a_place_in_a_stream_is_taken_once() -> None:
    entry = record(draft())
    with pytest.raises(DatabaseError), transaction.atomic():
        Entry.objects.create(
            stream=entry.stream, seq=0, digest="0" * 64, at=entry.at, actor="a", kind="k", body=b""
        )


@pytest.mark.services
@pytest.mark.django_db(transaction=True)
def test_two_writers_at_once_leave_no_gap_and_no_fork(postgresql: Any) -> None:
    failures: list[BaseException] = []
    together = threading.Barrier(4)

    def append(number: int) -> None:
        # Half of them take the streams in the other order.
        streams = ["left", "right"] if number % 2 else ["right", "left"]
        try:
            together.wait(timeout=30)
            for round_ in range(25):
                record_many([draft(stream=each, data={"by": number, "round": round_}) for each in streams])
        except BaseException as error:
            failures.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=append, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=120)

    assert failures == []
    assert counts_of() == {"left": 100, "right": 100}
    for stream in ("left", "right"):
        assert [view.seq for view in entries_of(stream)] == list(range(100))
    assert list(verify()) == []
