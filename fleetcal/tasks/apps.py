from django.apps import AppConfig


class TasksConfig(AppConfig):
    name = "fleetcal.tasks"

    def ready(self) -> None:
        # Celery finds its application here rather than in fleetcal/__init__.py, which every pure module imports.
        from fleetcal.tasks.application import app

        app.set_default()
