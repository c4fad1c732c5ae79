"""Ten tickets, written in every way that a weighbridge writes them, are the same ten tickets."""

import io
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from openpyxl import Workbook

from fleetcal.fleet.models import Instrument
from fleetcal.importing.headings import read_body
from fleetcal.importing.mapping import Mapping, checked
from fleetcal.importing.reading import read_table
from fleetcal.importing.tickets import book_for, read_tickets
from fleetcal.records.check_drafts import CheckDraft
from tests.factories import make_instrument, make_user, make_vehicle

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")
# Round in kg, t and exact in lb to the gram where written with three decimals.
TICKETS = [
    (
        f"MB{number:04}",
        datetime(2026, 3, 1, 6, 5, tzinfo=BERLIN) + timedelta(days=9 * number, minutes=37 * number),
        20_000 + 20 * number,
        20_100 + 40 * number,
    )
    for number in range(10)
]
DATES = {
    "YYYY-MM-DD": "%Y-%m-%d",
    "DD.MM.YYYY": "%d.%m.%Y",
    "DD/MM/YYYY": "%d/%m/%Y",
    "MM/DD/YYYY": "%m/%d/%Y",
    "DD.MM.YY": "%d.%m.%y",
    "YYYYMMDD": "%Y%m%d",
    "DD Mon YYYY": "%d %b %Y",
}
TIMES = {"HH:MM": "%H:%M", "HH:MM:SS": "%H:%M:%S", "HH.MM": "%H.%M", "HHMM": "%H%M", "hh:MM AM": "%I:%M %p"}
PER_KG = {"kg": (Decimal(1), 0), "t": (Decimal("0.001"), 2), "lb": (1 / Decimal("0.45359237"), 6)}
HEADINGS = ["Schein-Nr.", "Tag", "Uhrzeit", "Kennzeichen", "Gewicht über alles", "Anzeige", "Bemerkung"]


@pytest.fixture
def bridge() -> Instrument:
    make_vehicle("KJ-204")
    return make_instrument()


def mapping_for(**changes: object) -> Mapping:
    columns = dict(
        zip(("ticket", "date", "time", "plate", "reference", "display", "remark"), HEADINGS, strict=True)
    )
    plain = {
        "date_format": "YYYY-MM-DD",
        "time_format": "HH:MM",
        "time_zone": "Europe/Berlin",
        "purpose_otherwise": "trade",
    }
    return checked(Mapping(columns, **(plain | changes)))  # type: ignore[arg-type]


def write_mass(kilograms: int, mapping: Mapping) -> str:
    per_kg, places = PER_KG[mapping.unit]
    text = f"{kilograms * per_kg:,.{places}f}"
    return text.translate(str.maketrans({",": mapping.thousands_mark, ".": mapping.decimal_mark}))


def write_lines(mapping: Mapping) -> list[list[str]]:
    day, clock = DATES[mapping.date_format], TIMES[mapping.time_format]
    return [
        [
            number,
            f"{at:{day}}",
            f"{at:{clock}}",
            "kj 204",
            write_mass(gross, mapping),
            write_mass(shown, mapping),
            "für Öl – ok",
        ]
        for number, at, gross, shown in TICKETS
    ]


def write_csv(mapping: Mapping, encoding: str) -> bytes:
    quoted = [
        [f'"{cell}"' if mapping.separator in cell else cell for cell in row]
        for row in [HEADINGS, *write_lines(mapping)]
    ]
    return "\r\n".join(mapping.separator.join(row) for row in quoted).encode(encoding)


def drafts_of(content: bytes, mapping: Mapping, bridge: Instrument) -> list[CheckDraft]:
    table = read_table(content, encoding=mapping.encoding, separator=mapping.separator, sheet=mapping.sheet)
    findings = read_tickets(read_body(table, mapping), mapping, book_for(make_user(), bridge.pk, NOW))
    assert findings.problems == ()
    return [each.draft for each in findings.candidates]


def facts_of(drafts: list[CheckDraft]) -> list[tuple[object, ...]]:
    return [
        (
            d.ticket,
            d.weighed_at,
            d.platform[0].value_kg,
            d.display[0].values_kg[0],
            d.purpose,
            d.natural_key,
            d.vehicle_id,
        )
        for d in drafts
    ]


def expected(bridge: Instrument) -> list[tuple[object, ...]]:
    mapping = mapping_for()
    facts = facts_of(drafts_of(write_csv(mapping, "utf-8"), mapping, bridge))
    # The oracle itself is checked against the list it was written from.
    assert [fact[:4] for fact in facts] == [(n, at, Decimal(g), Decimal(s)) for n, at, g, s in TICKETS]
    return facts


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize(("decimal_mark", "thousands_mark"), [(".", ","), (",", "")])
def test_encodings_separators_and_marks_change_nothing(
    encoding: str, separator: str, decimal_mark: str, thousands_mark: str, bridge: Instrument
) -> None:
    mapping = mapping_for(
        encoding=encoding if encoding in ("utf-8", "cp1252") else "utf-16" if "16" in encoding else "utf-8",
        separator=separator,
        decimal_mark=decimal_mark,
        thousands_mark=thousands_mark,
    )
    assert facts_of(drafts_of(write_csv(mapping, encoding), mapping, bridge)) == expected(bridge)


@pytest.mark.parametrize("unit", PER_KG)
@pytest.mark.parametrize(
    ("decimal_mark", "thousands_mark"), [(".", ""), (",", ""), (",", "."), (".", ","), (".", " "), (".", "'")]
)
def test_units_and_marks_change_nothing(
    unit: str, decimal_mark: str, thousands_mark: str, bridge: Instrument
) -> None:
    mapping = mapping_for(unit=unit, decimal_mark=decimal_mark, thousands_mark=thousands_mark, separator=";")
    assert facts_of(drafts_of(write_csv(mapping, "utf-8"), mapping, bridge)) == expected(bridge)


@pytest.mark.parametrize("date_format", DATES)
@pytest.mark.parametrize("time_format", TIMES)
def test_ways_of_writing_dates_and_times_change_nothing(
    date_format: str, time_format: str, bridge: Instrument
) -> None:
    mapping = mapping_for(date_format=date_format, time_format=time_format)
    assert facts_of(drafts_of(write_csv(mapping, "utf-8"), mapping, bridge)) == expected(bridge)


@pytest.mark.parametrize("true_dates", [True, False])
def test_a_workbook_holds_the_same_tickets(true_dates: bool, bridge: Instrument) -> None:
    book = Workbook()
    sheet = book.active
    sheet.append(["Waage Nord", None, None])
    sheet.merge_cells("A1:G1")
    sheet.append([])
    sheet.append(HEADINGS)
    for number, at, gross, shown in TICKETS:
        local = at.replace(tzinfo=None)
        day, clock = (local.date(), local.time()) if true_dates else (f"{local:%d.%m.%Y}", f"{local:%H:%M}")
        sheet.append([number, day, clock, "KJ-204", gross, float(shown), None])
    sheet.append(["Summe", None, None, None, "=SUM(E4:E13)"])
    written = io.BytesIO()
    book.save(written)
    mapping = mapping_for(
        date_format="" if true_dates else "DD.MM.YYYY", time_format="" if true_dates else "HH:MM"
    )
    assert facts_of(drafts_of(written.getvalue(), mapping, bridge)) == expected(bridge)


def test_date_and_time_in_one_column_and_a_zone_in_the_cell_are_read(bridge: Instrument) -> None:
    lines = [
        "ticket,when,plate,gross,display",
        *(
            f"{number},{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ},KJ-204,{gross},{shown}"
            for number, at, gross, shown in TICKETS
        ),
    ]
    mapping = checked(
        Mapping(
            {"ticket": "ticket", "moment": "when", "plate": "plate", "reference": "gross", "display": "display"},
            date_format="YYYY-MM-DD", time_format="HH:MM:SS", time_zone="Europe/Berlin", purpose_otherwise="trade",
        )
    )  # fmt: skip
    assert facts_of(drafts_of("\n".join(lines).encode(), mapping, bridge)) == expected(bridge)
