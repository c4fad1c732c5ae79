from django.apps import AppConfig


class FleetConfig(AppConfig):
    name = "fleetcal.fleet"

    def ready(self) -> None:
        from fleetcal.fleet.selectors import (
            vehicle_names,
        )  # models may only be read once the applications are loaded
        from fleetcal.ledger import naming

        naming.register(vehicle_names)
