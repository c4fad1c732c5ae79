from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate


def install_fence(using: str, **kwargs: Any) -> None:
    from fleetcal.ledger import fence  # models may only be read once the applications are loaded

    fence.install(connections[using])


class LedgerConfig(AppConfig):
    name = "fleetcal.ledger"

    def ready(self) -> None:
        from fleetcal.ledger import checks  # noqa: F401  registers the system check

        # Once, after the last application's tables exist: `install` skips the tables that are not there yet.
        post_migrate.connect(install_fence, dispatch_uid="ledger-fence")
