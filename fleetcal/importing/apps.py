from django.apps import AppConfig


class ImportingConfig(AppConfig):
    name = "fleetcal.importing"
