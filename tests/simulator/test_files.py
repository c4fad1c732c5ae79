"""The files are byte for byte repeatable, readable in their three dialects, and silent about the truth."""

import csv
import io
import json
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest
from openpyxl import load_workbook

from fleetcal.simulator.__main__ import main

ROOT = Path(__file__).resolve().parents[2]
NAMES = (
    "scenario.json",
    "vehicles.csv",
    "installations.csv",
    "worksheets.csv",
    "repairs.csv",
    "tickets_millbridge.csv",
    "tickets_quarry.csv",
    "tickets_feedmill.xlsx",
)


def write(folder: Path, *, seed: int = 7, vehicles: int = 60, years: float = 1.0) -> Path:
    arguments = ["--until", "2026-11-24", "--vehicles", vehicles, "--years", years, "--seed", seed]
    assert main([str(folder), *map(str, arguments)]) == 0
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("fleet"))


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(folder: Path, tmp_path: Path) -> None:
    again, other = write(tmp_path / "again"), write(tmp_path / "other", seed=8)
    for name in (*NAMES, "truth/truth.json"):
        assert (folder / name).read_bytes() == (again / name).read_bytes()
    for name in set(NAMES) - {"scenario.json"}:
        assert (folder / name).read_bytes() != (other / name).read_bytes()


def test_the_demo_files_are_what_the_simulator_writes(tmp_path: Path) -> None:
    fresh = write(tmp_path / "fresh", years=3.0)
    for name in NAMES:
        if not name.endswith(".xlsx"):  # its compressed bytes belong to the zlib that is installed
            assert (ROOT / "fixtures_demo" / name).read_bytes() == (fresh / name).read_bytes()


@pytest.mark.parametrize(
    ("name", "header"),
    [
        (
            "vehicles.csv",
            "fleet_number,registration,vin,kind,depot,max_gross_kg,registered_on,in_service_on,axle_max_kg,"
            "groups,suspension,spacing_mm,lift_axles,steered_axles,driven_axles,twin_tyred_axles",
        ),
        (
            "installations.csv",
            "registration,system_serial,fitted_on,division_kg,mode,supply_v,fuse_a,clock_set_at,clock_offset_s,"
            "junction_units,alarm_gross_kg,alarm_axles_kg,sensor_serial,channel,axle,side,principle,place,"
            "in_line,pivot,lead_towards_pivot,fixing,bonded_at,surface_clean,temperature,temperature_unit,"
            "warmed_first,pressed_min,supported_while_curing,free_travel,clear_of_heat,labelled,"
            "recognised_singly",
        ),
        (
            "worksheets.csv",
            "worksheet,registration,technician,instrument,on,time,state,method,axles,left,right,reading,unit,"
            "lift_axles_state,slope_percent,wind_m_s,brakes_released,ride_height,level,stop_a_at,stop_b_at,"
            "stop_signed_by",
        ),
        (
            "repairs.csv",
            "reported_on,done_at,plate,workshop,axle,component,work,parts,odometer_km,remark",
        ),
        (
            "tickets_quarry.csv",
            "ticket,date,time,plate,gross_kg,display_kg,display2_kg,g1_ref,g1_disp,g2_ref,g2_disp,g3_ref,"
            "g3_disp,purpose,driver_in",
        ),
    ],
)
def test_a_file_has_exactly_its_columns_and_some_rows(folder: Path, name: str, header: str) -> None:
    rows = read_rows(folder / name)
    assert ",".join(rows[0]) == header
    assert len(rows) >= 10
    assert all(None not in row and None not in row.values() for row in rows)


def test_the_millbridge_export_is_windows_1252_with_titles_and_a_total(folder: Path) -> None:
    content = (folder / "tickets_millbridge.csv").read_bytes()
    with pytest.raises(UnicodeDecodeError):
        content.decode("utf-8")
    lines = list(csv.reader(io.StringIO(content.decode("cp1252")), delimiter=";"))
    assert "ü" in lines[0][0]
    assert lines[2] == [
        "Schein",
        "Datum",
        "Uhrzeit",
        "Kennzeichen",
        "Brutto t",
        "Anzeige t",
        "Anzeige 2 t",
        "Zweck",
        "Bemerkung",
    ]
    tickets, total = lines[3:-1], lines[-1]
    weights_t = [float(line[4].replace(",", ".")) for line in tickets]
    assert all(datetime.strptime(f"{line[1]} {line[2]}+0000", "%d.%m.%Y %H:%M%z") for line in tickets)
    assert total[0] == "Summe"
    assert float(total[4].replace(",", ".")) == pytest.approx(sum(weights_t))


def test_the_quarry_export_starts_with_a_byte_order_mark_and_weighs_groups(folder: Path) -> None:
    assert (folder / "tickets_quarry.csv").read_bytes().startswith(b"\xef\xbb\xbfticket,")
    rows = read_rows(folder / "tickets_quarry.csv")
    assert any(row["g3_ref"] for row in rows)
    for row in rows:
        shown_kg = [int(row[f"g{group}_disp"]) for group in (1, 2, 3) if row[f"g{group}_disp"]]
        assert sum(shown_kg) == int(row["display_kg"])


def test_the_feed_mill_workbook_has_true_dates_and_a_footer(folder: Path) -> None:
    rows = list(load_workbook(folder / "tickets_feedmill.xlsx").active.iter_rows(values_only=True))
    assert rows[0] == ("Ticket No", "Weighed at", "Vehicle", "Gross (kg)", "Cab display (kg)", "Remarks")
    assert all(isinstance(row[1], datetime) for row in rows[1:-1])
    assert rows[-1][0] == "Total"
    assert rows[-1][3] == sum(row[3] for row in rows[1:-1])


def test_the_scenario_names_everyone_whom_the_files_mention(folder: Path) -> None:
    scenario = json.loads((folder / "scenario.json").read_text(encoding="utf-8"))
    people = {person["username"] for person in scenario["people"]}
    assert len(people) == len(scenario["people"])
    depots = {depot["code"] for depot in scenario["depots"]}
    serials = {instrument["serial"] for instrument in scenario["instruments"]}
    plates = {row["registration"] for row in read_rows(folder / "vehicles.csv")}
    for row in read_rows(folder / "worksheets.csv"):
        assert {row["technician"], row["stop_signed_by"]} <= people
        assert row["instrument"] in serials
        assert row["registration"] in plates
    assert {row["depot"] for row in read_rows(folder / "vehicles.csv")} <= depots
    for person in scenario["people"]:
        assert person["depots"] == "all" or set(person["depots"]) <= depots


def test_the_truth_is_told_in_its_own_folder_and_nowhere_else(folder: Path) -> None:
    assert {path.name for path in folder.iterdir()} == {*NAMES, "truth"}
    truth = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    assert len(truth["vehicles"]) == 60
    secrets = {vehicle["story"] for vehicle in truth["vehicles"].values()}
    secrets |= {ticket["fault"] for ticket in truth["wrong_tickets"]}
    secrets |= {str(each["gain_error"]) for each in truth["instruments"].values()}
    for vehicle in truth["vehicles"].values():
        for group in vehicle["groups"]:
            secrets.add(str(group["drift_kg_per_day"]))
            secrets |= {str(event["span"]) for event in group["events"]}
    secrets = {secret for secret in secrets if len(secret) >= 6}
    assert len(secrets) > 100
    sheet = load_workbook(folder / "tickets_feedmill.xlsx").active
    told = "\n".join(str(cell) for row in sheet.iter_rows(values_only=True) for cell in row)
    for name in NAMES:
        if name.endswith((".csv", ".json")):
            encoding = "cp1252" if "millbridge" in name else "utf-8"
            told += (folder / name).read_text(encoding=encoding)
    assert not [secret for secret in secrets if secret in told]
    assert "gain_error" not in told


def test_the_command_refuses_what_the_scenario_refuses(tmp_path: Path) -> None:
    with pytest.raises(SystemExit) as refusal:
        main([str(tmp_path), "--until", "2026-11-24", "--vehicles", "0"])
    assert refusal.value.code == 2
    assert not list(tmp_path.iterdir())


def test_the_simulator_loads_no_framework() -> None:
    look = (
        "import sys, fleetcal.simulator.__main__ as m; print(*sorted({n.split('.')[0] for n in sys.modules}))"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", look], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert not {"django", "celery", "pandas", "reportlab"} & set(loaded.stdout.split())
