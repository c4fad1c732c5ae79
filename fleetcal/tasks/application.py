"""The Celery application and its timetable. Started with ``celery -A fleetcal.tasks.application worker -B``, or by ``manage.py worker``."""

import os
from datetime import timedelta

from celery import Celery
from celery.schedules import crontab
from celery.signals import worker_init

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleetcal.settings")

app = Celery("fleetcal")
app.config_from_object("fleetcal.tasks.configuration")
for module in ("background", "imports"):
    app.autodiscover_tasks(["fleetcal.tasks"], related_name=module)
app.conf.beat_schedule = {
    "evaluate the fleet every night": {"task": "evaluate_fleet", "schedule": crontab(hour=1, minute=10)},
    # Whatever was recorded while no broker answered is found here.
    "evaluate what changed": {"task": "evaluate_changed", "schedule": timedelta(minutes=5)},
    "remind by e-mail": {"task": "remind", "schedule": crontab(hour=5, minute=30)},
}


@worker_init.connect
def refuse_unfenced_tables(**kwargs: object) -> None:
    """A worker whose tables of facts could be changed does not start."""
    # Celery loads this module before Django's applications.
    from django.db import connection

    from fleetcal.ledger import fence

    fence.require(connection)
