"""The demo fleet: its files are chosen or made, and imported through the same importers and services that everybody uses."""

import json
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from django.conf import settings

from fleetcal.accounts.models import User
from fleetcal.evaluation.services import Summary, evaluate
from fleetcal.fleet.models import Depot
from fleetcal.importing.commit import commit
from fleetcal.importing.dry_run import plan
from fleetcal.importing.mapping import from_json
from fleetcal.importing.scenario import load_scenario
from fleetcal.records.models import TicketSource
from fleetcal.records.models.files import FileKind
from fleetcal.simulator.files import write_files
from fleetcal.simulator.observe import observe_fleet
from fleetcal.simulator.scenario import build_scenario
from fleetcal.simulator.truth import well_specified

FIXTURES = settings.BASE_DIR / "fixtures_demo"
TIME_ZONE = "UTC"
# The committed files end on a day; a fortnight later everything in them would look overdue.
FRESH_DAYS = 14
OWN_FILES = (
    ("vehicles.csv", FileKind.VEHICLES),
    ("installations.csv", FileKind.INSTALLATIONS),
    ("worksheets.csv", FileKind.WORKSHEETS),
    ("repairs.csv", FileKind.REPAIRS),
)
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Fleet:
    """Which fleet to make. As it stands, it is the one whose files are committed."""

    vehicles: int = 60
    years: float = 3.0
    seed: int = 7


def is_loaded() -> bool:
    return Depot.objects.exists()


def load(fleet: Fleet, today: date, say: Say) -> Summary:
    """Load the demo into an empty database."""
    folder = _files(fleet, today, say)
    sources = json.loads((FIXTURES / "sources.json").read_text("utf-8"))
    scenario = json.loads((folder / "scenario.json").read_text("utf-8"))
    say("Depots, people, instruments and the policy")
    actor = load_scenario(scenario, sources, password=password(), time_zone=TIME_ZONE)
    for name, kind in OWN_FILES:
        _import(folder / name, kind, actor, say)
    for source in sources:
        _import(
            folder / source["file"],
            FileKind.TICKETS,
            actor,
            say,
            TicketSource.objects.get(name=source["name"]),
        )
    say("Standings of all vehicles")
    return evaluate(today)


def password() -> str:
    """The demo's own password: made once, kept beside its database."""
    path = Path(settings.DATA_DIR) / "demo-password.txt"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_text(f"axle-{secrets.token_hex(4)}\n", "utf-8")
    return path.read_text("utf-8").strip()


def sign_ins() -> list[User]:
    """One account for each role."""
    found: dict[str, User] = {}
    for user in User.objects.order_by("-all_depots", "pk"):
        found.setdefault(user.role, user)
    return list(found.values())


def _files(fleet: Fleet, today: date, say: Say) -> Path:
    if fleet == Fleet() and 0 <= (today - _committed_until()).days <= FRESH_DAYS:
        return Path(FIXTURES)
    folder = Path(settings.DATA_DIR) / "demo-files"
    say(f"Files of {fleet.vehicles} vehicles over {fleet.years:g} years, made by the simulator in {folder}")
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(fleet.seed)
    scenario = build_scenario(vehicles=fleet.vehicles, years=fleet.years, until=today, rng=rng)
    observed, _truth = observe_fleet(scenario, well_specified(), rng)
    write_files(observed, folder)
    return folder


def _committed_until() -> date:
    """The day on which the committed records end."""
    lines = (FIXTURES / "tickets_quarry.csv").read_text("utf-8-sig").splitlines()[1:]
    return max(date.fromisoformat(line.split(",")[1]) for line in lines)


def _import(path: Path, kind: FileKind, actor: User, say: Say, source: TicketSource | None = None) -> None:
    mapping = from_json(source.mapping) if source else None
    planned = plan(path.read_bytes(), path.name, kind, mapping, actor, source=source)
    result = commit(planned, actor=actor, with_good_rows_only=True)
    refused = f", {result.refused} refused" if result.refused else ""
    say(f"{path.name}: {result.recorded} lines recorded{refused}")
