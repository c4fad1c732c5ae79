"""The audit PDF: the same bytes for the same records, every number in it, and no text that breaks it."""

import os
import pickle
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader

from fleetcal.fleet.services.instruments import NewFinding, record_finding
from fleetcal.ledger.selectors import digests_of, entries_of
from fleetcal.records.models import Check
from fleetcal.records.services.checks import record_check
from fleetcal.reports.audit_data import audit_of
from fleetcal.reports.audit_pdf import render_audit, report_number
from fleetcal.reports.audit_trail import AuditTrail
from tests.factories import make_policy, make_user, make_vehicle
from tests.reports.story import (
    NOTE,
    PERIOD,
    TAKEN_BACK,
    TYPED_WRONG,
    Story,
    check_draft,
    make_checks,
    make_story,
)

pytestmark = pytest.mark.django_db
RENDER = """
import pickle, sys, django
django.setup()
from fleetcal.reports.audit_pdf import render_audit
trail = pickle.load(open(sys.argv[1], "rb"))
open(sys.argv[2], "wb").write(render_audit(trail))
"""


def pages_of(content: bytes) -> list[str]:
    """The text of each page with its spaces made plain."""
    return [re.sub(r"\s+", " ", page.extract_text()) for page in PdfReader(BytesIO(content)).pages]


def text_of(content: bytes) -> str:
    return " ".join(pages_of(content))


def trail_of(story: Story) -> AuditTrail:
    return audit_of(story.vehicle, *PERIOD)


def test_the_same_records_give_the_same_bytes_in_any_process(tmp_path: Path):
    trail = trail_of(make_story())
    here = render_audit(trail)
    stored = tmp_path / "trail"
    stored.write_bytes(pickle.dumps(trail))
    for seed in ("1", "2"):
        made = tmp_path / f"{seed}.pdf"
        subprocess.run(
            [sys.executable, "-c", RENDER, str(stored), str(made)],
            check=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "DJANGO_SETTINGS_MODULE": "fleetcal.settings"},
        )
        assert made.read_bytes() == here
    assert render_audit(audit_of(trail.vehicle, *PERIOD)) == here


def test_another_unit_day_of_issue_or_period_is_another_report():
    story = make_story()
    trail = trail_of(story)
    numbers = {
        report_number(trail, "kg", date(2024, 1, 5)),
        report_number(trail, "lb", date(2024, 1, 5)),
        report_number(trail, "kg", date(2024, 1, 6)),
        report_number(audit_of(story.vehicle, PERIOD[0], date(2023, 12, 30)), "kg", date(2024, 1, 5)),
    }
    assert len(numbers) == 4
    assert "5 Jan 2024" in text_of(render_audit(trail, issued_on=date(2024, 1, 5)))


def test_every_record_stands_in_it_with_its_numbers_and_its_entry():
    story = make_story()
    text = text_of(render_audit(trail_of(story)))
    for entry in entries_of(story.vehicle.stream):
        assert entry.digest in text
    for word in ("T-1001", "T-1002", "T-2001", TYPED_WRONG, TAKEN_BACK, NOTE, story.photo.sha256):
        assert word in text
    assert "Nell Ashgrovely (n.ashgrovely)" in text
    assert "Millbridge weighbridge, certificate C-1 until 9 Jan 2030" in text
    assert "leaf spring replaced, axle 1" in text
    assert "Do not rely on the display for axle group 1" in text
    assert f"on {story.recalibration.happened_at:%-d %b %Y}" in text
    [result] = story.corrected.results.filter(subject=0)
    assert f"24 500 24 560 +{result.error_kg:.0f}" in text
    # The loaded weighing of the second group, as tests/calibration_factories.py has it: 10 700 + 7 000 − 3 400 − 1 900.
    assert "12 400" in text
    assert digests_of([story.calibration.policy_version.entry_id]).popitem()[1] in text


def test_a_record_that_no_longer_counts_says_so():
    text = text_of(render_audit(trail_of(make_story())))
    assert "ticket T-1001 (corrected)" in text
    assert "ticket T-1002 (withdrawn)" in text
    assert re.search(
        r"Corrected by Tobin Osgarde \(t\.osgarde\) on .*?, entry \d+\. Reason: typed 25 400", text
    )


def test_what_was_known_then_stands_beside_what_is_known_now():
    text = text_of(render_audit(trail_of(make_story())))
    assert "As known then: no policy was on record at the end of 31 Dec 2023" in text
    assert "As known now: reliable." in text


def test_a_check_whose_reference_was_found_wrong_says_that_it_counts_no_more():
    story = make_story()
    finding = NewFinding(date(2023, 6, 1), date(2023, 6, 30), date(2023, 8, 1), "a cell was loose")
    record_finding(finding, actor=make_user(), instrument=story.bridge)
    text = text_of(render_audit(trail_of(story)))
    assert "it did when it was recorded, and does not any more" in text
    assert "a cell was loose" in text


def test_pages_are_counted_and_the_contents_point_at_them():
    content = render_audit(trail_of(make_story()))
    pages, reader = pages_of(content), PdfReader(BytesIO(content))
    for number, text in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)} " in text
    for title in ("Calibrations", "Comparison checks", "Cautions"):
        [outline] = [item for item in reader.outline if getattr(item, "title", "").endswith(title)]
        page = reader.get_destination_page_number(outline)
        assert title in pages[page]
        assert re.search(rf"{title} {page + 1}\b", pages[0])
    assert "End of report" in pages[-1]


def test_every_page_names_vehicle_period_and_last_entry_and_claims_no_legality():
    story = make_story()
    trail = trail_of(story)
    for text in pages_of(render_audit(trail)):
        assert "KJ-204" in text
        assert "1 Jan 2023 to 31 Dec 2023" in text
        assert trail.newest.digest in text
        assert "never that a vehicle is legal to drive" in text


def test_its_properties_are_set():
    story = make_story()
    meta = PdfReader(BytesIO(render_audit(trail_of(story)))).metadata
    assert meta is not None
    assert meta.title == f"Audit report {report_number(trail_of(story), 'kg', datetime.now(UTC).date())}"
    assert meta.author == "Millbridge"
    assert meta.subject == "On-board weighing of KJ-204, 1 Jan 2023 to 31 Dec 2023"


def test_every_font_is_embedded():
    reader = PdfReader(BytesIO(render_audit(trail_of(make_story()))))
    for page in reader.pages:
        fonts = page["/Resources"].get_object()["/Font"].get_object()
        for font in fonts.values():
            assert "/FontFile2" in font.get_object()["/FontDescriptor"].get_object()


def test_pounds_are_pounds_throughout():
    text = text_of(render_audit(trail_of(make_story()), unit="lb"))
    # 24 500 kg and 26 000 kg by 1 lb = 0.453 592 37 kg (NIST SP 811, appendix B).
    assert "54 013" in text
    assert "57 320.2 lb" in text
    assert "Reference, lb" in text
    # What the policy and the instruments state in kilograms stays as it is stated.
    stated = re.findall(r"(?:steer axle at least 900|e = 20) kg", text)
    assert len(re.findall(r"\d kg\b", text)) == len(stated)


def test_a_vehicle_without_records_has_a_report():
    make_policy()
    vehicle = make_vehicle()
    pages = pages_of(render_audit(audit_of(vehicle, *PERIOD)))
    text = " ".join(pages)
    assert "not on record" in text
    assert "No calibration is on record in this period." in text
    assert "No weighing system was fitted in this period." in text
    assert "up to entry 0" in text


def test_a_vehicle_without_a_policy_has_a_report():
    text = text_of(render_audit(audit_of(make_vehicle(), *PERIOD)))
    assert "No policy was in force on this day" in text


def test_two_hundred_checks_fill_many_pages_and_none_is_lost():
    story = make_story()
    make_checks(story.vehicle, story.bridge, 200)
    pages = pages_of(render_audit(trail_of(story)))
    text = " ".join(pages)
    assert len(pages) > 50
    for check in Check.objects.filter(vehicle=story.vehicle):
        assert check.ticket in text
    assert all(f"Page {number} of" in page for number, page in enumerate(pages, start=1))


@pytest.mark.parametrize(
    "note",
    [
        "word " * 3_000,
        "x" * 6_000,
        "line\n" * 400,
        "<b>bold</b> & <script>alert(1)</script> </para>",
        "Ștefan Țepeș, Łódź, Жуков, 山田, 🚚, \u200f\u0007 tab\there",
    ],
    ids=["long", "unbroken", "many lines", "markup", "letters"],
)
def test_no_text_breaks_it(note: str):
    story = make_story()
    at = datetime(2023, 8, 1, 8, 0, tzinfo=UTC)
    draft = replace(check_draft(story.vehicle, story.bridge, "T-3001", at, gross=24_000), note=note)
    check = record_check(draft, actor=make_user())
    reason = replace(draft, supersedes=check.pk, reason=note[:2_000], ticket="T-3002 <&>")
    record_check(reason, actor=make_user())
    text = text_of(render_audit(trail_of(story)))
    assert "T-3002 <&>" in text


def test_letters_that_the_typeface_lacks_are_spelt_and_not_lost():
    story = make_story()
    at = datetime(2023, 8, 1, 8, 0, tzinfo=UTC)
    draft = replace(
        check_draft(story.vehicle, story.bridge, "T-3001", at, gross=24_000), note="Țepeș \u202e山 Łódź"
    )
    record_check(draft, actor=make_user())
    text = text_of(render_audit(trail_of(story)))
    assert "Note: Tepes [U+202E][U+5C71] Łódz" in text
