"""The Celery application and its timetable. Started with ``celery -A fleetcal.tasks.application worker -B``, or by ``manage.py worker``."""

import os
from datetime import timedelta

from celery import Celery
from celery.schedules import crontab

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleetcal.settings")

# Above the longest task: a shorter one would be started a second time while the first still runs.
VISIBILITY_TIMEOUT = timedelta(minutes=15)

app = Celery("fleetcal")
app.config_from_object("fleetcal.tasks.configuration")
app.autodiscover_tasks(["fleetcal.tasks"], related_name="background")
app.conf.beat_schedule = {
    "evaluate the fleet every night": {"task": "evaluate_fleet", "schedule": crontab(hour=1, minute=10)},
    # Whatever was recorded while no broker answered is found here.
    "evaluate what changed": {"task": "evaluate_changed", "schedule": timedelta(minutes=5)},
    "remind by e-mail": {"task": "remind", "schedule": crontab(hour=5, minute=30)},
}
