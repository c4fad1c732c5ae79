"""Celery's settings: nothing is lost when a worker is killed, and a task that is delivered twice does no harm."""

from django.conf import settings

from fleetcal.tasks.local_broker import socket_path

broker_url = settings.REDIS_URL or f"redis+socket://{socket_path()}"
# Nothing asks for results, what a task did stands in the database; and with a store for them, whoever publishes while it is away
# waits some twenty seconds for it.
task_ignore_result = True
task_acks_late = True
task_reject_on_worker_lost = True
worker_prefetch_multiplier = 1
task_time_limit = 600
# The broker hands a dead worker's task out again after the visibility timeout; the sweep for that runs every 10 × 2 s.
# It is above the longest task, which would else be started a second time while the first still runs.
broker_transport_options = {
    "visibility_timeout": 900,
    "unacked_restore_limit": 100,
    "unacked_restore_throttle": 2,
}
broker_connection_retry_on_startup = True
task_publish_retry_policy = {"max_retries": 1, "interval_start": 0, "interval_max": 0.2}
worker_hijack_root_logger = False
enable_utc = True
timezone = settings.TIME_ZONE
