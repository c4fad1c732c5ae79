"""Measures the budgets on a temporary SQLite database and prints ratios: ``python -m tests.benchmarks``.

Two sizes of fleet are measured in one run, so that what is printed says how the work grows and not how fast the machine is.
"""

import atexit
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

folder = tempfile.mkdtemp(prefix="fleetcal-benchmarks-")
atexit.register(shutil.rmtree, folder, ignore_errors=True)
os.environ |= {"FLEETCAL_DATA_DIR": folder, "FLEETCAL_DATABASE_URL": f"sqlite:///{folder}/benchmarks.sqlite3"}
os.environ["DJANGO_SETTINGS_MODULE"] = "fleetcal.settings"

import django  # noqa: E402

django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import connection, reset_queries  # noqa: E402
from django.test import Client  # noqa: E402
from django.test.utils import CaptureQueriesContext, override_settings  # noqa: E402
from django.utils import timezone  # noqa: E402

from fleetcal.accounts.models import User  # noqa: E402
from fleetcal.evaluation.services import evaluate  # noqa: E402
from fleetcal.fleet.models import (  # noqa: E402
    PolicyVersion,
    Vehicle,
    WeighingSystem,
)
from fleetcal.fleet.services.vehicles import register_vehicles  # noqa: E402
from fleetcal.importing.commit import commit  # noqa: E402
from fleetcal.importing.dry_run import plan  # noqa: E402
from fleetcal.importing.mapping import Mapping  # noqa: E402
from fleetcal.importing.sources import save_source  # noqa: E402
from fleetcal.ledger.services import Draft, record_many  # noqa: E402
from fleetcal.ledger.verification import verify  # noqa: E402
from fleetcal.records.method import METHOD_VERSION  # noqa: E402
from fleetcal.records.models import Calibration  # noqa: E402
from fleetcal.records.models.files import FileKind  # noqa: E402
from tests import factories  # noqa: E402

SMALL, LARGE, TICKETS = 100, 10_000, 10_000
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
TODAY = NOW.date()


def main() -> None:
    """Everything, on one database that is thrown away."""
    call_command("migrate", verbosity=0)
    manager = factories.make_user(password="benchmark-only", role="manager")
    factories.make_policy()
    instrument = factories.make_instrument()
    grow(SMALL, manager)
    evaluate(TODAY)
    small = due_page(manager)
    grow(LARGE, manager)
    all_of_them = timed(lambda: evaluate(TODAY))
    nothing = timed(lambda: evaluate(TODAY))
    again = timed(lambda: evaluate(TODAY, everything=True))
    large = due_page(manager)
    say("due list, queries", f"{large[1]} at {LARGE} vehicles (budget 12)")
    say(
        "due list, time",
        f"{small[0] * 1000:.0f} ms at {SMALL}, {large[0] * 1000:.0f} ms at {LARGE}: ratio {large[0] / small[0]:.2f} (budget 1.5)",
    )
    say(
        "evaluate",
        f"{LARGE} vehicles first {all_of_them:.1f} s, again {again:.1f} s, nothing changed {nothing:.3f} s: "
        f"ratio {nothing / again:.4f} (budget 0.1)",
    )
    source = save_source("Benchmark", MAPPING, instrument=instrument, actor=manager)
    content = tickets(TICKETS)
    seconds = timed(lambda: take_in(content, manager, source))
    say(
        "import",
        f"{TICKETS} tickets in {seconds:.1f} s: {TICKETS / seconds:.0f} rows/s with ledger (budget 1000)",
    )
    seconds = timed(lambda: take_in(content, manager, source))
    say("import again", f"adds nothing, {seconds:.1f} s")
    seconds = timed(lambda: say("verify", f"{sum(1 for _ in verify())} findings"))
    say("verify", f"{seconds:.1f} s")


def grow(total: int, actor: User) -> None:
    """Vehicles up to *total*, each with a display and an accepted calibration some time in the last year."""
    have = Vehicle.objects.count()
    drafts = [
        factories.vehicle_draft(
            f"BM-{n:05d}", layout=("rigid2", "rigid3", "tractor2")[n % 3], fleet_number=f"B{n:05d}"
        )
        for n in range(have, total)
    ]
    vehicles = register_vehicles(drafts, actor=actor)
    version = PolicyVersion.objects.get()
    entries = []
    for number, vehicle in enumerate(vehicles):
        system = WeighingSystem(
            vehicle=vehicle,
            serial=f"D{number}",
            fitted_on=date(2024, 1, 2),
            division_kg=Decimal(20),
            axle_count=3,
            mode="group",
            supply_v=24,
            fuse_a=Decimal(3),
        )
        done = NOW - timedelta(days=number % 400)
        calibration = Calibration(
            vehicle=vehicle,
            happened_at=done,
            recorded_at=NOW,
            recorded_by=actor,
            system=system,
            policy_version=version,
            method_version=METHOD_VERSION,
            started_at=done - timedelta(hours=3),
            stop_a_at=done - timedelta(hours=2),
            stop_b_at=done - timedelta(hours=1),
            accepted=True,
            division_kg=Decimal(20),
            covers_groups=[1, 2],
        )
        entries.append(Draft(vehicle.stream, "calibration.accepted", actor.username, [system, calibration]))
    record_many(entries)


def due_page(user: User) -> tuple[float, int]:
    """Median seconds and the number of queries of the manager's home."""
    client = Client()
    client.force_login(user)
    times = [timed(lambda: client.get("/?when=all")) for _ in range(9)]
    with CaptureQueriesContext(connection) as queries:
        response = client.get("/?when=all")
    assert response.status_code == 200
    return statistics.median(times), len(queries)


MAPPING = Mapping(
    columns={
        "ticket": "ticket",
        "date": "date",
        "time": "time",
        "plate": "plate",
        "reference": "gross",
        "display": "display",
    },
    date_format="YYYY-MM-DD",
    time_format="HH:MM",
    purpose_otherwise="trade",
)


def tickets(count: int) -> bytes:
    lines = ["ticket,date,time,plate,gross,display"]
    for n in range(count):
        day = date(2026, 1, 1) + timedelta(days=n % 300)
        gross = 9_000 + (n * 37 % 400) * 20
        lines.append(
            f"T{n:06d},{day},{6 + n % 12:02d}:{n % 60:02d},BM-{n % LARGE:05d},{gross},{gross + n % 7 * 20 - 60}"
        )
    return "\n".join(lines).encode()


def take_in(content: bytes, actor: User, source: object) -> None:
    planned = plan(content, "benchmark.csv", FileKind.TICKETS, MAPPING, actor, source=source)  # type: ignore[arg-type]
    assert not planned.problems, planned.problems[:3]
    commit(planned, actor=actor, with_good_rows_only=False)


def timed(work: Callable[[], object]) -> float:
    reset_queries()
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def say(what: str, result: str) -> None:
    sys.stdout.write(f"{what:<22} {result}\n")
    sys.stdout.flush()


with override_settings(DEBUG=False):
    timezone.activate("UTC")
    main()
