"""Which tables the insert-only fence stands around, and whether it stands."""

from django.db.backends.base.base import BaseDatabaseWrapper

from fleetcal.ledger import triggers
from fleetcal.ledger.facts import fact_tables
from fleetcal.ledger.models import Entry


def fenced_tables() -> list[str]:
    return [Entry._meta.db_table, *fact_tables()]


def install(connection: BaseDatabaseWrapper) -> None:
    present = set(connection.introspection.table_names())
    triggers.install(connection, [table for table in fenced_tables() if table in present])


def remove(connection: BaseDatabaseWrapper) -> None:
    present = set(connection.introspection.table_names())
    triggers.remove(connection, [table for table in fenced_tables() if table in present])


def require(connection: BaseDatabaseWrapper) -> None:
    """The start-up self-test: every fact table has its triggers, and one of them is seen to hold. `FenceMissing` otherwise."""
    present = set(connection.introspection.table_names())
    # A table that the next migrate will make has nothing to lose yet.
    missing = triggers.unfenced(connection, [table for table in fenced_tables() if table in present])
    if missing:
        raise triggers.FenceMissing(
            f"insert-only triggers are missing on {', '.join(missing)}; run `manage.py migrate`"
        )
    triggers.self_test(connection, Entry._meta.db_table)
