from typing import Any

import pytest
from django.core import checks
from django.core.management import call_command
from django.db import DatabaseError, connection, models, transaction

from fleetcal.ledger import fence, triggers
from fleetcal.ledger.facts import Fact, recorded_models
from fleetcal.ledger.models import Entry
from tests.factories import make_depot
from tests.rows import write_one_of_each

pytestmark = pytest.mark.django_db
FACTS = [model for model in recorded_models() if issubclass(model, Fact)]
FENCED = [Entry, *FACTS]


def run(statement: str) -> int:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)
        return int(cursor.rowcount)


STATEMENTS = {
    "update": 'UPDATE "{table}" SET id = id',
    "delete": 'DELETE FROM "{table}"',
    "upsert": 'INSERT INTO "{table}" SELECT * FROM "{table}" LIMIT 1 ON CONFLICT (id) DO UPDATE SET id = excluded.id',
}
if connection.vendor == "sqlite":
    # It overwrites a row without firing the trigger against deletion.
    STATEMENTS["replace"] = 'INSERT OR REPLACE INTO "{table}" SELECT * FROM "{table}" LIMIT 1'


@pytest.mark.parametrize("name", STATEMENTS)
def test_every_table_of_facts_refuses_raw_changes(name: str) -> None:
    write_one_of_each()
    for table in fence.fenced_tables():
        # The condition of an upsert would otherwise be read as part of a join.
        statement = STATEMENTS[name].format(table=table).replace("LIMIT 1 ON", "WHERE true LIMIT 1 ON")
        with pytest.raises(DatabaseError, match="takes inserts only"):
            run(statement)


@pytest.mark.parametrize("model", FENCED, ids=lambda model: model.__name__)
def test_every_table_of_facts_refuses_the_changes_of_the_orm(model: type[models.Model]) -> None:
    write_one_of_each()
    row = model._base_manager.first()
    assert row is not None
    columns = [field.attname for field in model._meta.concrete_fields]
    raw: models.QuerySet[Any] = models.QuerySet(model).filter(pk=row.pk)
    for change in (
        lambda: models.Model.save(row, force_update=True),
        lambda: raw.update(**{columns[-1]: getattr(row, columns[-1])}),
        lambda: raw._raw_delete("default"),
    ):
        with pytest.raises(DatabaseError, match="takes inserts only"), transaction.atomic():
            change()
    assert raw.exists()


def test_statements_that_touch_no_row_and_inserts_are_let_through() -> None:
    write_one_of_each()
    for table in fence.fenced_tables():
        assert run(f'UPDATE "{table}" SET id = id WHERE 1 = 0') == 0
        assert run(f'DELETE FROM "{table}" WHERE 1 = 0') == 0


@pytest.mark.services
def test_postgresql_refuses_to_truncate(postgresql: Any) -> None:
    for table in fence.fenced_tables():
        with pytest.raises(DatabaseError, match="takes inserts only"):
            run(f'TRUNCATE "{table}" CASCADE')


@pytest.mark.services
def test_a_session_that_plays_a_replica_does_not_pass(postgresql: Any) -> None:
    write_one_of_each()
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
    for table in fence.fenced_tables():
        for name in ("update", "delete"):
            with pytest.raises(DatabaseError, match="takes inserts only"):
                run(STATEMENTS[name].format(table=table))


@pytest.mark.services
def test_a_trigger_that_is_switched_off_counts_as_missing(postgresql: Any) -> None:
    run('ALTER TABLE "records_check" DISABLE TRIGGER "records_check_keep_rows"')
    assert triggers.unfenced(connection, fence.fenced_tables()) == ["records_check"]


def test_the_fence_stands_after_migrating_and_a_dropped_trigger_is_found() -> None:
    assert triggers.unfenced(connection, fence.fenced_tables()) == []
    for table in fence.fenced_tables():
        triggers.remove(connection, [table])
        assert triggers.unfenced(connection, fence.fenced_tables()) == [table]
        triggers.install(connection, [table])


def test_migrating_again_puts_the_fence_back() -> None:
    fence.remove(connection)
    assert len(triggers.unfenced(connection, fence.fenced_tables())) == len(FENCED)
    call_command("migrate", verbosity=0)
    assert triggers.unfenced(connection, fence.fenced_tables()) == []


def test_the_system_check_names_the_tables_that_lie_open() -> None:
    assert checks.run_checks(tags=["database"], databases=["default"]) == []
    triggers.remove(connection, ["records_repair"])
    [error] = checks.run_checks(tags=["database"], databases=["default"])
    assert error.id == "ledger.E002"
    assert "missing on records_repair" in error.msg
    assert "manage.py migrate" in error.msg


def test_the_self_test_notices_that_a_row_can_be_deleted_and_deletes_none() -> None:
    make_depot()
    entries = Entry.objects.count()
    triggers.self_test(connection, "ledger_entry")
    fence.remove(connection)
    with pytest.raises(triggers.FenceMissing, match="ledger_entry: a row could be deleted"):
        triggers.self_test(connection, "ledger_entry")
    assert Entry.objects.count() == entries > 0


@pytest.mark.django_db(transaction=True)
def test_the_flush_after_a_test_with_real_transactions_comes_through() -> None:
    # What is left behind here is flushed by the fixture of tests/conftest.py, or the next test does not start empty.
    write_one_of_each()
    assert Entry.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_and_the_fence_stands_again_behind_it() -> None:
    assert not Entry.objects.exists()
    assert triggers.unfenced(connection, fence.fenced_tables()) == []
