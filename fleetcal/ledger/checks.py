from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Error, Tags, register
from django.db import connections

from fleetcal.ledger import fence, triggers
from fleetcal.ledger.models import Entry


@register(Tags.database)
def fence_stands(databases: Sequence[str] | None = None, **kwargs: Any) -> list[CheckMessage]:
    messages: list[CheckMessage] = []
    for alias in databases or []:
        connection = connections[alias]
        if Entry._meta.db_table not in connection.introspection.table_names():
            continue  # before the first migrate
        try:
            fence.require(connection)
        except triggers.FenceMissing as missing:
            messages.append(Error(str(missing), id="ledger.E002"))
    return messages
