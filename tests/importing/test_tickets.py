from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from fleetcal.accounts.models import User
from fleetcal.importing.commit import commit
from fleetcal.importing.dry_run import ImportPlan, plan
from fleetcal.importing.mapping import Mapping, faults_of, from_json, suggest, to_json
from fleetcal.importing.sources import save_source
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.ledger.verification import verify
from fleetcal.records.models import Check, ImportedFile, TicketSource
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
COLUMNS = {
    "ticket": "ticket", "date": "date", "time": "time", "plate": "plate", "reference": "gross", "display": "display",
    "purpose": "purpose",
}  # fmt: skip
MAPPING = Mapping(COLUMNS, date_format="YYYY-MM-DD", time_format="HH:MM")
HEADINGS = "ticket,date,time,plate,gross,display,purpose"
GOOD = (
    "T1,2026-03-01,08:00,KJ-204,24000,24200,check",
    "T2,2026-03-02,09:00,KJ-204,25000,24900,trade",
    "T3,2026-03-03,10:00,kj 204,23000,23100,as found",
)


@pytest.fixture
def source() -> TicketSource:
    make_policy()
    make_system(make_vehicle("KJ-204"))
    return save_source("Quarry", MAPPING, instrument=make_instrument(), actor=make_user())


def file_of(*lines: str, headings: str = HEADINGS) -> bytes:
    return "\n".join([headings, *lines]).encode()


def plan_of(
    content: bytes, source: TicketSource, mapping: Mapping = MAPPING, actor: User | None = None
) -> ImportPlan:
    return plan(content, "tickets.csv", "tickets", mapping, actor or make_user(), source=source, now=NOW)


def record(content: bytes, source: TicketSource, *, good_rows_only: bool = False) -> int:
    planned = plan_of(content, source)
    return commit(planned, actor=make_user(), with_good_rows_only=good_rows_only).recorded


def test_good_tickets_become_checks_with_their_line_their_file_and_the_files_digest_in_the_ledger(
    source: TicketSource,
) -> None:
    content = file_of(*GOOD)
    assert record(content, source) == 3
    file = ImportedFile.objects.get()
    checks = list(Check.objects.order_by("line"))
    assert [(each.ticket, each.line, each.purpose, each.file_id) for each in checks] == [
        ("T1", 2, "check", file.pk),
        ("T2", 3, "trade", file.pk),
        ("T3", 4, "as found", file.pk),
    ]
    assert (file.rows_read, file.rows_recorded, file.rows_known, file.rows_refused) == (3, 3, 0, 0)
    entry = entries_of(FLEET_STREAM)[-1]
    assert entry.kind == "file.imported"
    assert entry.data["rows"]["records.importedfile"][0]["sha256"] == file.sha256
    assert list(verify()) == []


def test_the_dry_run_says_what_would_be_recorded_and_records_nothing(source: TicketSource) -> None:
    planned = plan_of(file_of(*GOOD), source)
    first = planned.previews[0].judged
    assert first is not None
    assert (first.outcome.gross.error_kg, first.outcome.gross.reference_kg) == (200.0, 24000.0)
    assert first.outcome.gross.word
    assert Check.objects.count() == 0
    assert ImportedFile.objects.count() == 0


def test_the_same_file_again_adds_nothing_at_all(source: TicketSource) -> None:
    content = file_of(*GOOD)
    record(content, source)
    entries = len(entries_of(FLEET_STREAM))
    again = commit(plan_of(content, source), actor=make_user(), with_good_rows_only=False)
    assert (again.file, again.recorded, again.known) == (None, 0, 3)
    assert Check.objects.count() == 3
    assert len(entries_of(FLEET_STREAM)) == entries


def test_an_overlapping_file_adds_only_what_is_new(source: TicketSource) -> None:
    record(file_of(*GOOD[:2]), source)
    planned = plan_of(file_of(*GOOD), source)
    assert (planned.good, planned.known_lines) == (1, (2, 3))
    assert commit(planned, actor=make_user(), with_good_rows_only=False).recorded == 1
    assert Check.objects.count() == 3


def test_a_ticket_on_record_that_says_something_else_is_a_problem_and_not_known(source: TicketSource) -> None:
    record(file_of(*GOOD), source)
    planned = plan_of(file_of(GOOD[0].replace("24000", "24100")), source)
    assert planned.known_lines == ()
    assert "24100 here and 24000 in the record" in planned.problems[0].message


@pytest.mark.parametrize(
    ("second", "skipped", "problem"),
    [
        (GOOD[0], "the same ticket as line 2", ""),
        (GOOD[0].replace("24000", "24900"), "", "24900 here and 24000 in line 2"),
        (GOOD[0].replace("24200", "24220"), "", "24220 here and 24200 in line 2"),
    ],
)
def test_the_same_ticket_twice_in_a_file_counts_once(
    second: str, skipped: str, problem: str, source: TicketSource
) -> None:
    planned = plan_of(file_of(GOOD[0], second), source)
    assert planned.good == 1
    assert [each.why for each in planned.skipped] == ([skipped] if skipped else [])
    assert [problem in each.message for each in planned.problems] == ([True] if problem else [])


@pytest.mark.parametrize(
    ("line", "column", "words"),
    [
        ("T9,2026-03-01,08:00,KJ-240,24000,24200,check", "plate", "Is it KJ-204?"),
        ("T9,2026-03-01,08:00,ZZ-999,24000,24200,check", "plate", "No vehicle of your depots"),
        ("T9,2027-03-01,08:00,KJ-204,24000,24200,check", "date", "in the future"),
        ("T9,2021-03-01,08:00,KJ-204,24000,24200,check", "date", "came into service"),
        ("T9,01.03.2026,08:00,KJ-204,24000,24200,check", "date", "Not a date like YYYY-MM-DD"),
        ("T9,,08:00,KJ-204,24000,24200,check", "date", "Empty"),
        ("T9,2026-03-01,8.00,KJ-204,24000,24200,check", "time", "Not a time like HH:MM"),
        ('T9,2026-03-01,08:00,KJ-204,"24,5",24200,check', "gross", "decimal point"),
        ("T9,2026-03-01,08:00,KJ-204,24.5,24200,check", "gross", "not between 500 and 200000 kg"),
        ("T9,2026-03-01,08:00,KJ-204,-24000,24200,check", "gross", "Not above zero"),
        ("T9,2026-03-01,08:00,KJ-204,,24200,check", "gross", "needs its weight"),
        ("T9,2026-03-01,08:00,KJ-204,24000,24200,visit", "purpose", "stands for no purpose"),
        (",2026-03-01,08:00,KJ-204,24000,24200,check", "ticket", "Empty"),
        ("T9,2026-03-01,08:00,KJ-204,190000,24200,check", "gross", "60"),
    ],
)
def test_every_bad_line_names_its_column_and_what_to_do(
    line: str, column: str, words: str, source: TicketSource
) -> None:
    planned = plan_of(file_of(GOOD[0], line), source)
    assert [(each.line, each.column) for each in planned.problems] == [(3, column)]
    assert words in planned.problems[0].message
    assert (planned.good, planned.refused_lines) == (1, 1)


def test_a_vehicle_of_another_depot_is_not_told_apart_from_one_that_does_not_exist(
    source: TicketSource,
) -> None:
    other = make_depot("FEN")
    make_system(make_vehicle("FX-111", depot=other))
    clerk = make_user("n.ashgrovely", role="clerk", depots=(make_depot(),))
    lines = file_of(*(GOOD[0].replace("KJ-204", plate) for plate in ("FX-111", "QX-111")))
    messages = [each.message for each in plan_of(lines, source, actor=clerk).problems]
    assert len(messages) == 2
    assert messages[0] == messages[1]


def test_a_ticket_without_a_display_reading_is_passed_over_and_not_wrong(source: TicketSource) -> None:
    planned = plan_of(file_of("T9,2026-03-01,08:00,KJ-204,24000,,check"), source)
    assert planned.problems == ()
    assert [(each.line, each.why) for each in planned.skipped] == [(2, "no display reading")]


def test_lines_with_problems_hold_everything_back_until_the_person_chooses(source: TicketSource) -> None:
    content = file_of(*GOOD, "T9,2026-03-01,08:00,XX-1,24000,24200,check")
    with pytest.raises(Refused, match="1 of 4 lines"):
        record(content, source)
    assert Check.objects.count() == 0
    assert ImportedFile.objects.count() == 0
    assert record(content, source, good_rows_only=True) == 3
    assert ImportedFile.objects.get().rows_refused == 1


def test_a_failure_in_the_middle_leaves_neither_records_nor_the_file_nor_an_entry(
    source: TicketSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    planned = plan_of(file_of(*GOOD), source)
    before = len(entries_of(FLEET_STREAM))
    broken = replace(planned, candidates=(*planned.candidates, planned.candidates[0]))
    with pytest.raises(Refused, match="twice"):
        commit(broken, actor=make_user(), with_good_rows_only=False)
    assert (Check.objects.count(), ImportedFile.objects.count()) == (0, 0)
    assert len(entries_of(FLEET_STREAM)) == before


def test_what_somebody_recorded_after_the_dry_run_is_refused_whole(source: TicketSource) -> None:
    planned = plan_of(file_of(*GOOD), source)
    record(file_of(GOOD[1]), source)
    with pytest.raises(Refused, match="already on record"):
        commit(planned, actor=make_user(), with_good_rows_only=False)
    assert Check.objects.count() == 1


def test_a_role_that_may_not_import_is_refused(source: TicketSource) -> None:
    planned = plan_of(file_of(*GOOD), source)
    with pytest.raises(Refused, match="role"):
        commit(planned, actor=make_user("l.trevanne", role="compliance"), with_good_rows_only=False)


def test_groups_repeated_readings_and_the_optional_columns_reach_the_record(source: TicketSource) -> None:
    more = {
        "display_2": "d2", "group.1.reference": "r1", "group.1.display": "s1", "group.2.reference": "r2",
        "group.2.display": "s2", "odometer": "km", "driver_in": "driver", "direction": "way", "remark": "note",
        "temperature": "temp", "displayed_time": "read",
    }  # fmt: skip
    mapping = Mapping(
        COLUMNS | more, date_format="YYYY-MM-DD", time_format="HH:MM", driver_out_words=("out",)
    )
    line = "T1,2026-03-01,08:00,KJ-204,24000,24200,check,24240,7000,7100,17040,17100,120500,driver OUT,both,wet,4.5,08:06"
    content = file_of(line, headings=HEADINGS + ",d2,r1,s1,r2,s2,km,driver,way,note,temp,read")
    draft = plan_of(content, source, mapping).candidates[0].draft
    assert [reading.value_kg for reading in draft.platform] == [24000, 7000, 17040]
    assert [(each.subject, each.values_kg) for each in draft.display] == [
        (0, (Decimal(24200), Decimal(24240))),
        (1, (Decimal(7100),)),
        (2, (Decimal(17100),)),
    ]
    assert (draft.odometer_km, draft.driver_in, draft.direction, draft.note) == (120500, False, "both", "wet")
    assert draft.temperature_c == Decimal("4.5")
    assert draft.displayed_at == datetime(2026, 3, 1, 8, 6, tzinfo=UTC)
    assert (
        commit(plan_of(content, source, mapping), actor=make_user(), with_good_rows_only=False).recorded == 1
    )


def test_a_gross_that_the_file_added_up_from_its_groups_is_no_second_weighing(source: TicketSource) -> None:
    mapping = replace(MAPPING, columns=COLUMNS | {"group.1.reference": "r1", "group.2.reference": "r2"})
    line = "T1,2026-03-01,08:00,KJ-204,24000,24200,check,7000,17000"
    draft = plan_of(file_of(line, headings=HEADINGS + ",r1,r2"), source, mapping).candidates[0].draft
    assert [(reading.value_kg, reading.covers[0].group) for reading in draft.platform] == [
        (7000, 1),
        (17000, 2),
    ]


def test_a_group_that_the_vehicle_does_not_have_is_a_problem(source: TicketSource) -> None:
    mapping = replace(MAPPING, columns=COLUMNS | {"group.3.display": "s3"})
    planned = plan_of(file_of(GOOD[0] + ",7000", headings=HEADINGS + ",s3"), source, mapping)
    assert "has no axle group 3, only 1 to 2" in planned.problems[0].message


def test_a_coupled_unit_stands_on_the_platform_with_it(source: TicketSource) -> None:
    trailer = make_vehicle("TR-900", layout="trailer3")
    make_system(trailer)
    mapping = replace(MAPPING, columns=COLUMNS | {"partner": "with"})
    planned = plan_of(file_of(GOOD[0] + ",TR-900", headings=HEADINGS + ",with"), source, mapping)
    draft = planned.candidates[0].draft
    assert draft.coupled == (trailer.pk,)
    assert {each.vehicle_id for each in draft.platform[0].covers} == {draft.vehicle_id, trailer.pk}
    judged = planned.previews[0].judged
    assert judged is not None
    assert not judged.outcome.gross.is_separable


def test_one_file_may_hold_the_tickets_of_several_weighbridges(source: TicketSource) -> None:
    other = make_instrument("Feed mill weighbridge", serial="FM-1")
    mapping = replace(MAPPING, columns=COLUMNS | {"instrument": "bridge"})
    content = file_of(
        GOOD[0] + ",fm-1", GOOD[1] + ",", GOOD[2] + ",Feed mil weighbridge", headings=HEADINGS + ",bridge"
    )
    planned = plan_of(content, source, mapping)
    assert [each.draft.instrument_id for each in planned.candidates] == [other.pk, source.instrument_id]
    assert "Is it Feed mill weighbridge" in planned.problems[0].message


def test_a_day_without_a_display_on_the_vehicle_is_found_in_the_dry_run(source: TicketSource) -> None:
    planned = plan_of(file_of(GOOD[0].replace("2026-03-01", "2023-03-02")), source)
    assert "No weighing system is on record" in planned.problems[0].message


def test_a_mapping_survives_being_stored() -> None:
    mapping = Mapping(
        COLUMNS, {"direction": "both"}, "cp1252", ";", ",", ".", "t", "DD.MM.YYYY", "HH:MM", "Europe/Berlin",
        {"Kontrolle": "check"}, "trade", ("ohne",), 3, "Blatt", "Art", ("voll",),
    )  # fmt: skip
    assert from_json(to_json(mapping)) == mapping
    assert faults_of(mapping) == {}


@pytest.mark.parametrize(
    "data",
    [{}, [], {"columns": []}, {"columns": {"plate": 3}}, {"columns": {}, "colour": "red"}, {"unit": "kg"},
     {"columns": {}, "header_line": True}, {"columns": {}, "driver_out_words": "out"}],
)  # fmt: skip
def test_a_stored_mapping_of_another_shape_is_refused(data: object) -> None:
    with pytest.raises(Refused):
        from_json(data)


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"columns": {}}, "plate"),
        ({"columns": COLUMNS | {"moment": "date"}}, "moment"),
        ({"columns": {k: v for k, v in COLUMNS.items() if k != "time"}}, "time"),
        ({"columns": COLUMNS | {"group.1.reference": "r1", "colour": "c"}}, "columns"),
        ({"encoding": "ebcdic"}, "encoding"),
        ({"decimal_mark": ",", "thousands_mark": ","}, "thousands_mark"),
        ({"unit": "st"}, "unit"),
        ({"date_format": "D/M/Y"}, "date_format"),
        ({"time_zone": "Middle/Earth"}, "time_zone"),
        ({"time_zone": "../../etc/passwd"}, "time_zone"),
        ({"purpose_words": {"x": "visit"}}, "purpose_words"),
        ({"constants": {"plate": "KJ-204"}}, "constants"),
        ({"constants": {"driver_in": "perhaps"}}, "constants"),
        ({"only_column": "Art"}, "only_values"),
    ],
)
def test_a_mapping_that_cannot_be_used_says_where(changes: dict[str, object], place: str) -> None:
    assert place in faults_of(replace(MAPPING, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("headings", "columns"),
    [
        (["Schein", "Datum", "Uhrzeit", "Kennzeichen", "Brutto t", "Anzeige t", "Anzeige 2 t", "Bemerkung"],
         {"ticket": "Schein", "date": "Datum", "time": "Uhrzeit", "plate": "Kennzeichen", "reference": "Brutto t",
          "display": "Anzeige t", "display_2": "Anzeige 2 t", "remark": "Bemerkung"}),
        (["N° bon", "Date et heure", "Immatriculation", "Poids brut (kg)", "Afficheur (kg)", "Conducteur"],
         {"ticket": "N° bon", "moment": "Date et heure", "plate": "Immatriculation", "reference": "Poids brut (kg)",
          "display": "Afficheur (kg)", "driver_in": "Conducteur"}),
        (["Albarán", "Fecha", "Hora", "Matrícula", "Peso bruto", "Pantalla"],
         {"ticket": "Albarán", "date": "Fecha", "time": "Hora", "plate": "Matrícula", "reference": "Peso bruto",
          "display": "Pantalla"}),
        (["Ticket No", "Weighed at", "Vehicle", "Gross (kg)", "Cab display (kg)", "g1_ref", "g1_disp"],
         {"ticket": "Ticket No", "moment": "Weighed at", "plate": "Vehicle", "reference": "Gross (kg)",
          "display": "Cab display (kg)", "group.1.reference": "g1_ref", "group.1.display": "g1_disp"}),
    ],
)  # fmt: skip
def test_headings_in_four_languages_are_proposed_and_dates_never(
    headings: list[str], columns: dict[str, str]
) -> None:
    proposed = suggest(headings)
    assert proposed.columns == columns
    assert proposed.date_format == proposed.time_format == ""
    assert proposed.unit == ("t" if "Brutto t" in headings else "kg")


def test_a_source_needs_its_weighbridge_unless_a_column_names_it(source: TicketSource) -> None:
    with pytest.raises(Refused, match="Choose the weighbridge"):
        save_source("Other", MAPPING, instrument=None, actor=make_user())
    named = replace(MAPPING, columns=COLUMNS | {"instrument": "bridge"})
    assert save_source("Other", named, instrument=None, actor=make_user()).instrument is None
    with pytest.raises(Refused):
        save_source("Quarry", MAPPING, instrument=source.instrument, actor=make_user())
    assert entries_of(FLEET_STREAM)[-1].kind == "source.registered"


def test_days_are_those_that_the_source_states(source: TicketSource) -> None:
    mapping = replace(MAPPING, date_format="MM/DD/YYYY")
    planned = plan_of(file_of("T1,03/04/2026,08:00,KJ-204,24000,24200,check"), source, mapping)
    assert planned.candidates[0].draft.weighed_at.date() == date(2026, 3, 4)
