from typing import Any

from django.apps import AppConfig, apps
from django.db import connections
from django.db.models.signals import post_migrate


def install_fence(sender: AppConfig, using: str, **kwargs: Any) -> None:
    from fleetcal.ledger import fence  # models may only be read once the applications are loaded

    # The signal comes once for each application; only after the last one do all tables exist.
    if sender is [config for config in apps.get_app_configs() if config.models_module is not None][-1]:
        fence.install(connections[using])


class LedgerConfig(AppConfig):
    name = "fleetcal.ledger"

    def ready(self) -> None:
        from fleetcal.ledger import checks  # noqa: F401  registers the system check

        post_migrate.connect(install_fence, dispatch_uid="ledger-fence")
