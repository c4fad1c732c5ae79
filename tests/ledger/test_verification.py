"""Whoever owns the database can drop the fence and change anything: what verification then says."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from decimal import Decimal
from io import StringIO
from typing import Any
from uuid import UUID, uuid4

import pytest
from django.core.management import CommandError, call_command
from django.db import DataError, connection, models, transaction

from fleetcal.fleet.models import Depot, Vehicle
from fleetcal.ledger import fence
from fleetcal.ledger.facts import Fact, Recorded, Register, recorded_models
from fleetcal.ledger.models import Entry, Head
from fleetcal.ledger.services import FLEET_STREAM, Draft, record
from fleetcal.ledger.verification import Finding, verify
from fleetcal.records.models import Check, Repair
from tests.factories import make_depot, make_vehicle
from tests.rows import write_one_of_each

pytestmark = pytest.mark.django_db
MODELS = list(recorded_models())


def raw(model: type[models.Model], **which: Any) -> models.QuerySet[Any]:
    """The table without the refusals of its own manager."""
    return models.QuerySet(model).filter(**which)


@contextmanager
def undone() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@contextmanager
def tampering() -> Iterator[None]:
    """The fence taken down, and everything done meanwhile undone at the end."""
    with undone():
        fence.remove(connection)
        yield


def another(field: models.Field[Any, Any], value: Any) -> Any:
    """A value for the column other than *value* that its constraints let through."""
    if field.choices:
        return next(choice for choice, _ in field.choices if choice != value)
    if isinstance(field, models.ForeignKey):
        return uuid4() if isinstance(field.target_field, models.UUIDField) else 987_654
    match value:
        case bool():
            return not value
        case int():
            return value + 1
        case Decimal():
            return value + Decimal(1).scaleb(-field.decimal_places)  # type: ignore[attr-defined]
        case datetime():
            return value + timedelta(microseconds=1)
        case date():
            return value + timedelta(days=1)
        case UUID():
            return uuid4()
        case list() | dict():
            return {"edited": [str(value)]}
        case None:
            return for_nothing(field)
    return f"e{value}"[: field.max_length] if f"e{value}"[: field.max_length] != value else "edited"


def for_nothing(field: models.Field[Any, Any]) -> Any:
    match field:
        case models.DateTimeField() | models.DateField():
            return (
                date(2030, 1, 1)
                if type(field) is models.DateField
                else datetime.fromisoformat("2030-01-01T00:00Z")
            )
        case models.DecimalField():
            return Decimal(1)
        case models.BooleanField():
            return True
        case models.CharField() | models.TextField():
            return "edited"
    return 1  # fmt: skip


def test_nothing_is_found_where_nothing_was_touched() -> None:
    write_one_of_each()
    seen: list[tuple[int, int]] = []
    assert list(verify(lambda done, total: seen.append((done, total)))) == []
    total = Entry.objects.count()
    assert seen == [(total, total)]


def test_an_empty_ledger_is_whole() -> None:
    assert list(verify()) == []


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_an_edited_column_is_found_with_its_two_values(model: type[Recorded]) -> None:
    write_one_of_each()
    row = model._default_manager.latest("entry_id")
    columns = [f for f in model._meta.concrete_fields if not f.primary_key and f.name != "entry"]
    with tampering():
        for field in columns:
            before = getattr(row, field.attname)
            with undone():
                assert raw(model, pk=row.pk).update(**{field.attname: another(field, before)}) == 1
                found = list(verify())
            assert [finding.column for finding in found] == [field.name]
            [finding] = found
            assert (finding.stream, finding.seq) == (row.entry.stream, row.entry.seq)
            assert (finding.table, finding.row) == (model._meta.label_lower, str(row.pk))
            assert finding.what == "the row was edited"
            assert finding.in_row != finding.in_entry
            assert (finding.in_entry == "nothing") == (before is None)
    assert list(verify()) == []


@pytest.mark.parametrize("column", ["fuel_used_kg", "platform", "odometer_km"])
def test_a_column_that_cannot_be_read_any_more_is_found_or_cannot_come_to_be(column: str) -> None:
    """SQLite takes anything in any column, and verification says what stands there; PostgreSQL refuses it by itself."""
    write_one_of_each()
    row = Check.objects.get()
    spoil = f'UPDATE "{Check._meta.db_table}" SET "{column}" = %s'
    with tampering(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with pytest.raises(DataError), transaction.atomic():
                cursor.execute(spoil, ["spoilt"])
            assert list(verify()) == []
            return
        cursor.execute("PRAGMA ignore_check_constraints = ON")
        cursor.execute(spoil, ["spoilt"])
        [finding] = verify()
        cursor.execute("PRAGMA ignore_check_constraints = OFF")
    assert (finding.what, finding.row, finding.column) == ("the row was edited", str(row.pk), column)
    assert finding.in_row == "spoilt"


def test_the_newest_entry_of_a_register_row_counts_whatever_its_stream_is_called() -> None:
    depot = make_depot()
    for stream in ("z", "a"):
        record(Draft(stream, "depot.changed", "n.ashgrovely", [depot]))
    assert list(verify()) == []


def spoil_one_row_of_each_table() -> Iterator[tuple[models.QuerySet[Any], Recorded]]:
    """A row of every table to spoil, one after the other; each is whole again before the next."""
    write_one_of_each()
    with tampering():
        for model in MODELS:
            row = model._default_manager.latest("entry_id")
            with undone():
                yield raw(model, pk=row.pk), row


def test_a_row_that_is_deleted_is_found_in_every_table() -> None:
    for rows, row in spoil_one_row_of_each_table():
        rows._raw_delete("default")
        assert ("the row has been deleted", str(row.pk)) in told(verify())


def test_a_row_that_changes_its_name_is_found_in_every_table() -> None:
    for rows, row in spoil_one_row_of_each_table():
        rows.update(id=(name := uuid4()))
        found = told(verify())
        assert ("the row has been deleted", str(row.pk)) in found
        assert ("the row stands in no entry", str(name)) in found


def test_a_row_that_points_to_another_entry_is_found_in_every_table() -> None:
    for rows, row in spoil_one_row_of_each_table():
        rows.update(entry=Entry.objects.exclude(pk=row.entry_id).latest("pk"))
        assert ("the row stands in no entry", str(row.pk)) in told(verify())


def test_a_row_that_points_to_no_entry_is_found_in_every_table() -> None:
    for rows, row in spoil_one_row_of_each_table():
        rows.update(entry_id=987_654)
        assert ("the row points to entry 987654, which is gone", str(row.pk)) in told(verify())


def told(findings: Iterator[Finding]) -> set[tuple[str, str]]:
    return {(finding.what, finding.row) for finding in findings}


def test_a_row_that_was_put_in_is_found() -> None:
    write_one_of_each()
    row = Repair.objects.get()
    row.pk, row._state.adding = uuid4(), True
    models.Model.save(row, force_insert=True)
    assert told(verify()) == {("the row stands in no entry", str(row.pk))}


def test_a_register_row_that_was_set_back_to_an_earlier_state_is_found() -> None:
    depot = make_depot()
    first = depot.entry
    depot.name = "Millbridge North"
    newest = record(Draft(FLEET_STREAM, "depot.changed", "n.ashgrovely", [depot]))
    raw(Depot, pk=depot.pk).update(name="Millbridge", entry=first)

    [finding] = verify()
    assert (finding.what, finding.seq) == ("the row does not point to its newest entry", newest.seq)


@pytest.mark.parametrize("place", ["first", "middle", "last"])
def test_a_deleted_entry_is_found(place: str) -> None:
    vehicle = write_one_of_each()
    entries = list(Entry.objects.filter(stream=vehicle.stream).order_by("seq"))
    gone = {"first": entries[0], "middle": entries[len(entries) // 2], "last": entries[-1]}[place]
    with tampering():
        raw(Entry, pk=gone.pk)._raw_delete("default")
        words = {finding.what for finding in verify() if finding.stream == vehicle.stream}
    if place == "last":
        assert words == {
            f"the head says {len(entries)} entries ending in {gone.digest}; "
            f"the entries are {len(entries) - 1} ending in {entries[-2].digest}"
        }
    else:
        assert f"entry {gone.seq} is missing; the next one present is {gone.seq + 1}" in words


def test_a_stream_that_was_deleted_altogether_is_found() -> None:
    vehicle = write_one_of_each()
    count = Entry.objects.filter(stream=vehicle.stream).count()
    with tampering():
        raw(Entry, stream=vehicle.stream)._raw_delete("default")
        findings = list(verify())
    assert Finding(vehicle.stream, None, f"all {count} entries are missing") in findings
    assert all(finding.what.startswith("the row points to entry") for finding in findings if finding.table)


def test_two_entries_that_changed_places_are_found() -> None:
    vehicle = write_one_of_each()
    second, third = Entry.objects.filter(stream=vehicle.stream, seq__in=[1, 2]).order_by("seq")
    with tampering():
        raw(Entry, pk=second.pk).update(seq=987)
        raw(Entry, pk=third.pk).update(seq=1)
        raw(Entry, pk=second.pk).update(seq=2)
        words = [finding.what for finding in verify()]
    assert f"the bytes say stream {vehicle.stream} entry 2" in words
    assert f"the bytes say stream {vehicle.stream} entry 1" in words


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("digest", "0" * 64, "stored digest"),
        ("body", b"{}", "is not that of the stored bytes"),
        ("actor", "somebody", "look-up column differs"),
        ("kind", "check.invented", "look-up column differs"),
        ("at", datetime.fromisoformat("2030-01-01T00:00Z"), "look-up column differs"),
        ("stream", "elsewhere", "the bytes say stream"),
    ],
)
def test_an_edited_column_of_an_entry_is_found(column: str, value: Any, words: str) -> None:
    write_one_of_each()
    entry = Entry.objects.get(kind="repair.recorded")
    with tampering():
        raw(Entry, pk=entry.pk).update(**{column: value})
        findings = [finding for finding in verify() if words in finding.what]
    assert findings
    assert {finding.seq for finding in findings} <= {entry.seq, entry.seq + 1}


@pytest.mark.parametrize("change", [{"count": 1}, {"digest": "0" * 64}])
def test_an_edited_head_is_found(change: dict[str, Any]) -> None:
    vehicle = write_one_of_each()
    Head.objects.filter(stream=vehicle.stream).update(**change)
    [finding] = verify()
    assert (finding.stream, finding.seq) == (vehicle.stream, None)
    assert finding.what.startswith("the head says ")


def test_a_head_that_is_missing_is_found() -> None:
    vehicle = write_one_of_each()
    Head.objects.filter(stream=vehicle.stream).delete()
    [finding] = verify()
    assert finding.what.startswith("the head says nothing; the entries are ")


def test_runs_that_end_within_a_stream_are_joined(monkeypatch: pytest.MonkeyPatch) -> None:
    write_one_of_each()
    monkeypatch.setattr("fleetcal.ledger.verification.RUN", 2)
    assert list(verify()) == []
    row = Check.objects.get()
    with tampering():
        raw(Check, pk=row.pk).update(ticket="T-2")
        assert [finding.column for finding in verify()] == ["ticket"]


def command() -> tuple[str, str, str]:
    out, err, failure = StringIO(), StringIO(), ""
    try:
        call_command("verify_ledger", stdout=out, stderr=err, no_color=True)
    except CommandError as error:
        failure = str(error)
    return out.getvalue(), err.getvalue(), failure


def test_the_command_says_that_all_is_well() -> None:
    write_one_of_each()
    entries = Entry.objects.count()
    assert command() == (
        f"{entries} entries in 2 streams: every chain is whole, every row is as recorded.\n",
        "",
        "",
    )


def test_the_command_names_vehicle_entry_column_and_both_values_and_fails() -> None:
    vehicle = make_vehicle("KJ-204")
    with tampering():
        raw(Vehicle, pk=vehicle.pk).update(max_gross_kg=Decimal(28_000))
        out, err, failure = command()
    assert out == ""
    assert err == (
        f"KJ-204, entry 0: the row was edited (fleet.vehicle {vehicle.pk}, column max_gross_kg): "
        "now '28000.000', recorded '26000.000'\n"
    )
    assert failure == "1 differences found: the stored data are not what was recorded"


def test_every_recorded_table_is_a_register_or_a_table_of_facts() -> None:
    assert [model for model in MODELS if not issubclass(model, (Register, Fact))] == []
