"""What an audit trail holds: every record of the period and nothing of another, corrected ones with what took their place."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleetcal.fleet.models import Certificate, Vehicle
from fleetcal.fleet.services.instruments import NewFinding, record_finding
from fleetcal.ledger.refusals import Refused
from fleetcal.records.services.checks import record_check
from fleetcal.reports.audit_data import audit_of, period_on_record
from fleetcal.reports.audit_pdf import render_audit
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.reports.story import PERIOD, TAKEN_BACK, TYPED_WRONG, check_draft, make_checks, make_story

pytestmark = pytest.mark.django_db


def test_a_corrected_record_stays_with_its_reason_and_what_took_its_place():
    story = make_story()
    trail = audit_of(story.vehicle, *PERIOD)
    by_row = {record.row.pk: record for record in trail.checks}
    wrong, right = by_row[story.wrong.pk], by_row[story.corrected.pk]
    assert wrong.later is not None
    assert (wrong.later.reason, wrong.later.is_withdrawal) == (TYPED_WRONG, False)
    assert wrong.later.recording == right.recording
    assert right.earlier is not None
    assert right.earlier.recording == wrong.recording
    assert right.later is None
    assert right.attachments == (story.photo,)
    assert wrong.recording.by == "Nell Ashgrovely (n.ashgrovely)"


def test_a_withdrawn_record_is_shown_once_as_withdrawn():
    story = make_story()
    taken_back = [r for r in audit_of(story.vehicle, *PERIOD).checks if r.row.ticket == "T-1002"]
    assert [record.row.pk for record in taken_back] == [story.withdrawn.pk]
    assert taken_back[0].later is not None
    assert taken_back[0].later.is_withdrawal
    assert taken_back[0].later.reason == TAKEN_BACK


def test_what_was_not_yet_known_is_left_out():
    story = make_story()
    before_the_correction = story.corrected.recorded_at - timedelta(microseconds=1)
    trail = audit_of(story.vehicle, *PERIOD, known_at=before_the_correction)
    assert [record.row.pk for record in trail.checks] == [story.wrong.pk]
    assert trail.checks[0].later is None
    assert trail.repairs == ()
    assert trail.newest.data["rows"]["records.check"][0]["id"] == str(story.wrong.pk)


def test_only_records_of_the_period_are_told_and_both_its_days_belong_to_it():
    story = make_story()
    trail = audit_of(story.vehicle, date(2023, 6, 5), date(2023, 9, 4))
    assert [record.row.ticket for record in trail.checks] == ["T-1001", "T-1001", "T-1002"]
    assert [record.row.pk for record in trail.repairs] == [story.repair.pk]
    assert trail.calibrations == ()


def test_days_are_those_of_the_depot_whoever_asks():
    make_policy()
    depot = make_depot("FAR", time_zone="Pacific/Auckland")
    vehicle = make_vehicle("ZN-118", depot=depot)
    make_system(vehicle)
    # 13:00 UTC is an hour after midnight there.
    draft = check_draft(
        vehicle, make_instrument(), "T-1", datetime(2023, 5, 31, 13, 0, tzinfo=UTC), gross=24_000
    )
    check = record_check(draft, actor=make_user())
    [record] = audit_of(vehicle, date(2023, 6, 1), date(2023, 6, 1)).checks
    assert record.row == check
    assert audit_of(vehicle, date(2023, 5, 31), date(2023, 5, 31)).checks == ()


def test_work_is_made_good_on_the_day_of_the_calibration_after_it():
    story = make_story()
    [repair] = audit_of(story.vehicle, *PERIOD).repairs
    assert repair.made_good_on == story.recalibration.happened_at.date()
    [still_open] = audit_of(story.vehicle, PERIOD[0], date(2023, 9, 5)).repairs
    assert still_open.made_good_on is None


def test_every_day_of_the_period_has_one_standing():
    story = make_story()
    trail = audit_of(story.vehicle, *PERIOD)
    assert trail.spans[0].since == PERIOD[0]
    assert trail.spans[-1].until == PERIOD[1]
    for before, after in zip(trail.spans, trail.spans[1:], strict=False):
        assert after.since == before.until + timedelta(days=1)
    words = [str(span.standing.word) for span in trail.spans if span.standing]
    assert "not on record" in words
    assert "do not rely" in words
    on_the_repair = next(s for s in trail.spans if s.since <= date(2023, 9, 5) <= s.until)
    assert on_the_repair.standing is not None
    assert on_the_repair.standing.word == "do not rely"


def test_the_standing_then_and_now_are_told_apart():
    story = make_story()
    # Everything was recorded today, long after the period.
    trail = audit_of(story.vehicle, *PERIOD)
    assert trail.then is None
    assert trail.now is not None
    assert trail.now.word == "reliable"
    today = datetime.now(UTC).date()
    trail = audit_of(story.vehicle, PERIOD[0], today)
    assert trail.then == trail.now


def test_references_show_their_certificates_and_findings():
    story = make_story()
    finding = NewFinding(
        wrong_from=date(2023, 6, 1),
        wrong_until=date(2023, 6, 30),
        found_on=date(2023, 8, 1),
        what="a cell was loose",
    )
    record_finding(finding, actor=make_user(), instrument=story.bridge)
    [used] = audit_of(story.vehicle, *PERIOD).references
    assert [each.certificate for each in used.certificates] == list(Certificate.objects.all())
    assert [each.finding.what for each in used.findings] == ["a cell was loose"]
    in_june = next(use for use in used.uses if use.first <= date(2023, 6, 5) <= use.last)
    assert not in_june.validity.valid
    assert any(use.validity.valid for use in used.uses)


def test_the_register_tells_what_was_entered():
    story = make_story()
    told = [line for change in audit_of(story.vehicle, *PERIOD).register for line in change.changes]
    assert told[:3] == ["1 vehicle entered", "2 axle groups entered", "3 axles entered"]


def test_the_number_of_queries_does_not_grow_with_the_records_and_setting_the_pages_asks_none():
    story = make_story()
    vehicle = Vehicle.objects.select_related("depot").get(pk=story.vehicle.pk)
    counts = []
    for _ in range(2):
        with CaptureQueriesContext(connection) as asked:
            trail = audit_of(vehicle, *PERIOD)
        counts.append(len(asked))
        with CaptureQueriesContext(connection) as asked:
            render_audit(trail)
        assert len(asked) == 0
        make_checks(story.vehicle, story.bridge, 30)
    assert counts[0] == counts[1]


def test_a_period_that_ends_before_it_begins_is_refused():
    make_policy()
    with pytest.raises(Refused, match="ends on 2023-01-01, before it begins on 2023-02-01"):
        audit_of(make_vehicle(), date(2023, 2, 1), date(2023, 1, 1))


def test_the_whole_life_reaches_to_the_newest_entry():
    story = make_story()
    since, until = period_on_record(story.vehicle)
    assert since == story.vehicle.in_service_on
    assert until == datetime.now(UTC).date()
