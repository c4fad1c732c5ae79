"""`manage.py audit_report`: a file for the vehicle that is named, and a plain word where there is none."""

from datetime import timedelta
from io import BytesIO, StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone
from pypdf import PdfReader

from fleetcal.fleet.models import Vehicle
from tests.factories import make_policy, make_vehicle

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    return make_vehicle("KJ-204", fleet_number="R12")


def run(vehicle: str, out: Path, *options: str) -> str:
    said = StringIO()
    call_command("audit_report", vehicle, "--out", str(out), *options, stdout=said)
    return said.getvalue()


@pytest.mark.parametrize("name", ["KJ-204", "kj 204", "R12"])
def test_it_writes_the_report_of_the_vehicle_that_is_named(vehicle: Vehicle, tmp_path: Path, name: str):
    out = tmp_path / "audit.pdf"
    said = run(name, out, "--from", "2023-03-01", "--to", "2023-12-31", "--unit", "lb")
    text = PdfReader(BytesIO(out.read_bytes())).pages[0].extract_text()
    assert "1 Mar 2023 to 31 Dec 2023" in text
    assert "lb; times are those of UTC" in text
    assert "KJ-204, 2023-03-01 to 2023-12-31, records up to entry 0, digest " in said


def test_it_takes_an_id_and_writes_the_same_file_twice(vehicle: Vehicle, tmp_path: Path):
    run(str(vehicle.pk), tmp_path / "one.pdf")
    run("KJ204", tmp_path / "two.pdf")
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


@pytest.mark.parametrize(
    ("name", "options", "complaint"),
    [
        ("ZZ-1", (), "There is no vehicle “ZZ-1”"),
        ("…", (), "There is no vehicle"),
        ("KJ-204", ("--from", "2023-13-01"), "“2023-13-01” is not a day"),
        ("KJ-204", ("--from", "2023-05-01", "--to", "2023-04-01"), "before it begins"),
        ("KJ-204", ("--unit", "st"), "invalid choice"),
        ("KJ-204", ("--to", "2999-01-01"), "still to come"),
    ],
)
def test_it_says_what_is_wrong_and_writes_nothing(
    vehicle: Vehicle, tmp_path: Path, name: str, options: tuple[str, ...], complaint: str
):
    out = tmp_path / "audit.pdf"
    with pytest.raises(CommandError, match=complaint):
        run(name, out, *options)
    assert not out.exists()


def test_a_name_that_means_two_vehicles_is_not_guessed_at(vehicle: Vehicle, tmp_path: Path):
    make_vehicle("ZN-118", fleet_number="KJ-204")
    with pytest.raises(
        CommandError, match=r"could be KJ-204 \(fleet number R12\) and ZN-118|could be ZN-118"
    ):
        run("KJ-204", tmp_path / "audit.pdf")


def test_a_folder_that_is_not_there_is_named(vehicle: Vehicle, tmp_path: Path):
    with pytest.raises(CommandError, match="cannot be written: No such file or directory"):
        run("KJ-204", tmp_path / "missing" / "audit.pdf")


def test_a_period_may_reach_to_today(vehicle: Vehicle, tmp_path: Path):
    today = timezone.localdate()
    run("KJ-204", tmp_path / "audit.pdf", "--to", today.isoformat())
    with pytest.raises(CommandError, match="still to come"):
        run("KJ-204", tmp_path / "later.pdf", "--to", (today + timedelta(days=1)).isoformat())
