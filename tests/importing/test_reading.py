"""Files that nobody prepared."""

import io
import zipfile

import pytest
from openpyxl import Workbook

from fleetcal.importing import reading, workbooks
from fleetcal.importing.headings import likely_header, names_of, read_body
from fleetcal.importing.mapping import Mapping
from fleetcal.importing.problems import Problem, problems_csv
from fleetcal.importing.reading import read_table
from fleetcal.ledger.refusals import Refused

COLUMNS = {"ticket": "Ticket", "plate": "Plate", "reference": "Gross"}
MAPPING = Mapping(COLUMNS)


def lines_of(content: bytes, mapping: Mapping = MAPPING) -> list[int]:
    table = read_table(content, encoding=mapping.encoding, separator=mapping.separator)
    return [line for line, _ in read_body(table, mapping).records]


def workbook(*rows: list[object], title: str = "Weighings") -> bytes:
    book = Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def test_titles_totals_blank_lines_and_repeated_headings_are_passed_over_and_counted() -> None:
    content = (
        b"Bridge North\nNovember 2026,,\n\nTicket,Plate,Gross\n1,KJ-204,20000\n,,\n2,KJ-205,21000\nTicket,Plate,Gross\n"
        b"3,KJ-206,22000\nTotal,,63000\nBridge North\n"
    )
    table = read_table(content, encoding="utf-8", separator=",")
    body = read_body(table, MAPPING)
    assert [line for line, _ in body.records] == [5, 7, 9]
    assert {each.line: each.why for each in body.skipped} == {
        1: "above the headings",
        2: "above the headings",
        8: "headings again",
        10: "a total or a footer",
        11: "a title or a footer",
    }
    assert table.blank_lines == 2
    assert body.problems == ()


def test_a_plate_that_begins_with_a_word_of_totals_is_no_total() -> None:
    assert lines_of(b"Plate,Ticket,Gross\nSUM-204,1,20000\n") == [2]


def test_a_quoted_newline_keeps_the_count_of_lines() -> None:
    assert lines_of(b'Ticket,Plate,Gross\n1,"KJ\n204",20000\r\n2,KJ-205,21000\n') == [2, 4]


def test_a_quotation_mark_that_is_never_closed_costs_its_own_line_only() -> None:
    rows = b"".join(b"%d,KJ-204,20000\n" % number for number in range(3, 200))
    content = b'Ticket,Plate,Gross\n1,KJ-204,20000\n2,"KJ-204,20000\n' + rows
    table = read_table(content, encoding="utf-8", separator=",")
    body = read_body(table, MAPPING)
    assert [(each.line, "quotation mark" in each.message) for each in body.problems] == [(3, True)]
    assert [line for line, _ in body.records] == [2, *range(4, 201)]


def test_trailing_separators_are_no_cells_but_a_surplus_value_is_a_problem() -> None:
    body = read_body(
        read_table(
            b"Ticket,Plate,Gross\n1,KJ-204,20000,,,\n2,KJ-204,20,5\n", encoding="utf-8", separator=","
        ),
        MAPPING,
    )
    assert [line for line, _ in body.records] == [2]
    assert [(each.line, each.value) for each in body.problems] == [(3, "5")]


@pytest.mark.parametrize(
    ("content", "encoding", "line", "words"),
    [
        (b"Ticket,Plate,Gross\n1,K\xd6-204,20000\n2,KJ-204,1\n", "utf-8", 2, "byte D6"),
        (b"Ticket,Plate,Gross\n1,KJ-204,20000\n2,K\x81-204,1\n", "cp1252", 3, "byte 81"),
        (b"Ticket,Plate,Gross\n1,KJ-204,20000\n2,K\x00J,1\n", "utf-8", 3, "NUL"),
        (
            "Ticket,Plate,Gross\n1,K\n2,K,1\n".encode("utf-16-le")[:-8] + b"\x00\xd8,\x001\x00",
            "utf-16",
            3,
            "lost",
        ),
    ],
)
def test_a_character_that_cannot_be_read_is_reported_at_its_line(
    content: bytes, encoding: str, line: int, words: str
) -> None:
    problems = read_table(content, encoding=encoding, separator=",").problems
    assert [each.line for each in problems] == [line]
    assert words in problems[0].message
    assert problems[0].value.isprintable()
    problems[0].value.encode()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf \r\n", "empty"),
        (b"<html><table><tr><td>Ticket</td></tr></table></html>", "web page"),
        (b"\xef\xbb\xbf  <!DOCTYPE html>", "web page"),
        ("<table>".encode("utf-16"), "web page"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "old or password-protected"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"PK\x03\x04 and then nothing", "damaged"),
        ("Ticket,Plate\n1,KJ\n".encode("utf-16-le"), "not text in UTF-8"),
        (b"\n\n   \n", "empty"),
        (b",,,\n,,,\n", "no filled line"),
    ],
)  # fmt: skip
def test_what_is_no_table_is_refused_with_what_to_do(content: bytes, words: str) -> None:
    with pytest.raises(Refused, match=words):
        read_table(content, encoding="utf-8", separator=",")


def test_the_content_decides_what_a_file_is() -> None:
    table = read_table(workbook(["Ticket", "Plate", "Gross"], [1, "KJ-204", 20000]))
    assert table.sheets == ("Weighings",)
    assert names_of(table.rows[0]) == ("Ticket", "Plate", "Gross")


def test_an_archive_that_is_no_workbook_is_refused() -> None:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    with pytest.raises(Refused, match="archive, not a workbook"):
        read_table(written.getvalue())


def test_a_workbook_that_unpacks_to_too_much_is_refused_before_it_is_unpacked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(workbooks, "MOST_UNPACKED_BYTES", 100_000)
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"0" * 1_000_000)
    assert len(written.getvalue()) < 5_000
    with pytest.raises(Refused, match="unpacks to"):
        read_table(written.getvalue())


def test_a_file_that_is_too_large_or_too_long_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MOST_BYTES", 1000)
    with pytest.raises(Refused, match="split it"):
        read_table(b"1,2\n" * 300)
    monkeypatch.setattr(reading, "MOST_BYTES", 10_000)
    monkeypatch.setattr(reading, "MOST_ROWS", 200)
    with pytest.raises(Refused, match="more than 200 lines"):
        read_table(b"1,2\n" * 300)
    monkeypatch.setattr(workbooks, "MOST_ROWS", 3)
    with pytest.raises(Refused, match="more than 3 filled rows"):
        read_table(workbook(*([number] for number in range(5))))


def test_a_workbook_keeps_row_numbers_over_merged_titles_and_gaps() -> None:
    book = Workbook()
    sheet = book.active
    sheet["A1"] = "Bridge North"
    sheet.merge_cells("A1:C1")
    for place, heading in enumerate(COLUMNS.values(), start=1):
        sheet.cell(4, place, heading)
    sheet["A9"], sheet["B9"], sheet["C9"] = "1", "KJ-204", 20000
    written = io.BytesIO()
    book.save(written)
    assert lines_of(written.getvalue()) == [9]


def test_a_formula_that_nobody_calculated_is_an_empty_cell() -> None:
    rows = read_table(workbook(["Ticket", "Gross"], ["1", "=2+2"])).rows
    assert rows[1].cells == ("1",)


def test_repeated_and_empty_headings_get_names_of_their_own() -> None:
    table = read_table(b"Weight,Weight,,Weight\n1,2,3,4\n", separator=",")
    assert names_of(table.rows[0]) == ("Weight", "Weight (2)", "column C", "Weight (3)")


def test_a_file_without_headings_is_read_by_the_letters_of_its_columns() -> None:
    mapping = Mapping({"ticket": "column A", "plate": "column B", "reference": "column C"}, header_line=-1)
    assert lines_of(b"1,KJ-204,20000\n2,KJ-205,21000\n", mapping) == [1, 2]


def test_missing_headings_are_named_with_the_line_that_comes_closest() -> None:
    table = read_table(b"Bridge\nTicket,Plate,Net\n1,KJ-204,2\n", encoding="utf-8", separator=",")
    with pytest.raises(Refused, match="Line 2 looks like the headings, but these are missing: Gross"):
        read_body(table, MAPPING)
    with pytest.raises(Refused, match="Line 3 of the file"):
        read_body(table, Mapping(COLUMNS, header_line=3))


def test_headings_are_found_whatever_their_capitals_and_spaces() -> None:
    assert lines_of(b"TICKET , plate,gross\n1,KJ-204,2\n") == [2]


def test_a_filter_leaves_lines_out_and_says_so() -> None:
    mapping = Mapping(COLUMNS, only_column="Way", only_values=("out",))
    body = read_body(
        read_table(b"Ticket,Plate,Gross,Way\n1,KJ,2,OUT\n2,KJ,3,in\n", encoding="utf-8", separator=","),
        mapping,
    )
    assert [line for line, _ in body.records] == [2]
    assert body.skipped[0].why == "left out: Way is “in”"


@pytest.mark.parametrize(
    ("content", "separator"),
    [
        (b"a;b;c\n1,5;2,5;3\n", ";"),
        (b"a\tb\n1\t2\n", "\t"),
        (b"a|b|c\n1|2|3\n", "|"),
        (b"a,b\n1,2\n", ","),
        (b"one\ntwo\n", ","),
    ],
)
def test_the_separator_is_worked_out_where_none_is_stated(content: bytes, separator: str) -> None:
    assert read_table(content).separator == separator


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        ("ü".encode(), "utf-8"),
        (b"\xfc", "cp1252"),
        ("für Öl".encode("utf-16"), "utf-16-le"),
        ("fur,Ol".encode("utf-16-be"), "utf-16-be"),
    ],
)
def test_the_encoding_is_worked_out_where_none_is_stated(content: bytes, encoding: str) -> None:
    assert read_table(content).encoding == encoding


def test_the_line_of_headings_is_proposed_below_titles() -> None:
    table = read_table(
        b"Bridge;;;\nfrom 1.1.2026 to 31.1.2026;;;\nTicket;Plate;Gross;Display\n1;KJ-204;20000;20100\n"
    )
    assert likely_header(table).line == 3


def test_problems_are_written_so_that_no_spreadsheet_runs_them() -> None:
    text = problems_csv([Problem(3, "=Gross", "=HYPERLINK(1)", "Not a number.")])
    assert text.splitlines() == ["line,column,value,what to do", "3,'=Gross,'=HYPERLINK(1),Not a number."]
