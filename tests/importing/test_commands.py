from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from fleetcal.evaluation.models import Standing
from fleetcal.fleet.models import Vehicle
from fleetcal.importing import repairs, vehicles
from fleetcal.importing.mapping import Mapping
from fleetcal.importing.sources import save_source
from fleetcal.records.models import Check, ImportedFile, Repair
from fleetcal.records.services import checks
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.importing.test_own_formats import REPAIRS, RIGID

pytestmark = pytest.mark.django_db

TICKETS = "ticket,when,plate,gross,display\nT1,2026-03-01 08:00,KJ-204,24000,24200\n"
BAD = "T2,2026-03-01 08:00,KJ-999,24000,24200\n"


@pytest.fixture
def source() -> None:
    make_policy()
    make_system(make_vehicle())
    columns = {
        "ticket": "ticket",
        "moment": "when",
        "plate": "plate",
        "reference": "gross",
        "display": "display",
    }
    mapping = Mapping(columns, date_format="YYYY-MM-DD", time_format="HH:MM", purpose_otherwise="trade")
    save_source("Quarry", mapping, instrument=make_instrument(), actor=make_user())


def run(*args: Any, **options: Any) -> tuple[str, str]:
    out, err = StringIO(), StringIO()
    call_command(*args, stdout=out, stderr=err, **options)
    return out.getvalue(), err.getvalue()


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "file.csv"
    path.write_text(text, "utf-8")
    return path


def test_tickets_are_imported_by_their_source_and_the_standing_follows(source: None, tmp_path: Path) -> None:
    out, err = run("import_tickets", write(tmp_path, TICKETS), "--source", "quarry")
    assert "1 lines recorded" in out
    assert ImportedFile.objects.get().sha256 in out
    assert err == ""
    assert Check.objects.get().recorded_by.username == "registrar"
    assert Standing.objects.filter(vehicle=Check.objects.get().vehicle).exists()


class Terminal(StringIO):
    def isatty(self) -> bool:
        return True


def test_the_progress_counts_up_on_one_line_of_a_terminal_and_on_lines_of_a_file(
    source: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checks, "SLICE", 2)
    more = "".join(f"T{n},2026-03-0{n} 08:00,KJ-204,24000,24200\n" for n in range(2, 6))
    path, terminal = write(tmp_path, TICKETS + more), Terminal()
    out, _ = run("import_tickets", path, "--source", "Quarry", "--dry-run")
    assert "written" not in out
    call_command("import_tickets", path, "--source", "Quarry", stdout=terminal)
    assert "\r2 of 5 written\r4 of 5 written\r5 of 5 written\n5 lines recorded" in terminal.getvalue()
    path.write_text("".join(f"{line}\n" for line in (TICKETS + more).replace("T", "U").splitlines()[1:]))
    path.write_text("ticket,when,plate,gross,display\n" + path.read_text())
    out, _ = run("import_tickets", path, "--source", "Quarry")
    assert "\r" not in out
    assert out.splitlines()[1:3] == ["2 of 5 written", "4 of 5 written"]


def test_a_dry_run_records_nothing_and_lists_the_problems_with_their_lines(
    source: None, tmp_path: Path
) -> None:
    out, err = run("import_tickets", write(tmp_path, TICKETS + BAD), "--source", "Quarry", "--dry-run")
    assert "2 lines read: 1 to record, 0 on record already, 1 with problems" in out
    assert err.startswith("line 3, plate: “KJ-999”")
    assert Check.objects.count() == 0


def test_problems_hold_everything_back_unless_good_rows_are_asked_for(source: None, tmp_path: Path) -> None:
    path = write(tmp_path, TICKETS + BAD)
    with pytest.raises(CommandError, match="Nothing was recorded"):
        run("import_tickets", path, "--source", "Quarry")
    assert Check.objects.count() == 0
    run("import_tickets", path, "--source", "Quarry", "--good-rows-only")
    assert Check.objects.count() == 1
    out, _ = run("import_tickets", path, "--source", "Quarry", "--good-rows-only")
    assert "Nothing new" in out


@pytest.mark.parametrize(
    ("text", "source_name", "words"),
    [
        ("", "Quarry", "empty"),
        ("a,b\n1,2\n", "Quarry", "headings"),
        (TICKETS.replace("KJ-204", "KJ-999"), "Quarry", "Nothing was recorded"),
        (TICKETS, "Quarri", "There is no source “Quarri”; on record: Quarry"),
    ],
)
def test_it_fails_where_nothing_could_be_read(
    text: str, source_name: str, words: str, source: None, tmp_path: Path
) -> None:
    with pytest.raises(CommandError, match=words):
        run("import_tickets", write(tmp_path, text), "--source", source_name)


def test_a_dry_run_without_one_good_line_fails_too(source: None, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="Not one line"):
        run(
            "import_tickets",
            write(tmp_path, TICKETS.replace("KJ-204", "KJ-999")),
            "--source",
            "Quarry",
            "--dry-run",
        )


def test_a_file_that_is_not_there_is_said(source: None, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="cannot be read"):
        run("import_tickets", tmp_path / "nowhere.csv", "--source", "Quarry")


def test_who_imports_must_be_one_person(tmp_path: Path) -> None:
    make_depot()
    path = write(tmp_path, ",".join(vehicles.HEADINGS) + "\n" + RIGID)
    make_user("second", role="administrator")
    with pytest.raises(CommandError, match="--as"):
        run("import_vehicles", path)
    with pytest.raises(CommandError, match="no active account"):
        run("import_vehicles", path, "--as", "nobody")
    run("import_vehicles", path, "--as", "second")
    assert Vehicle.objects.get().registration == "KJ-204"


def test_records_of_a_named_kind_are_imported(tmp_path: Path) -> None:
    make_policy()
    make_vehicle()
    path = write(tmp_path, ",".join(repairs.HEADINGS) + "\n" + "\n".join(REPAIRS))
    out, _ = run("import_records", "repairs", path)
    assert "2 lines recorded" in out
    assert Repair.objects.count() == 2
