"""Lines that hold no record, and what heading words stand for, in exports as weighbridges write them (common practice, no source)."""

import pytest

from fleetcal.importing.fields import suggest_columns
from fleetcal.importing.headings import TOTAL, likely_header
from fleetcal.importing.reading import read_table
from fleetcal.ledger.refusals import Refused


@pytest.mark.parametrize(
    "text",
    [
        "*** PAGE TOTAL", "Total", "Grand total", "Daily total:", "Summe", "Tagessumme", "Sous-total", "Suma",
        "End of report", "Page 3", "--- Seite 2",
    ],
)  # fmt: skip
def test_a_line_of_totals_is_known_by_its_first_words(text: str) -> None:
    assert TOTAL.match(text)


@pytest.mark.parametrize(
    "text", ["KJ-204", "Totality Ltd", "Sumac Farms", "Tkt total", "Paging Co", "0088231"]
)
def test_a_record_is_not_taken_for_a_total(text: str) -> None:
    assert not TOTAL.match(text)


def test_a_file_of_which_no_line_can_be_read_has_no_headings() -> None:
    half_a_character = b"\xff\xfea"
    with pytest.raises(Refused, match="Not one line could be read"):
        likely_header(read_table(half_a_character))


def test_a_weighbridges_own_abbreviations_are_understood() -> None:
    headings = ["TKT#", "DATE OUT", "TIME", "VEH REG", "CUST", "1ST WT", "2ND WT", "NETT", "OBW GROSS"]
    suggested = suggest_columns(headings)
    assert suggested == {
        "ticket": "TKT#",
        "date": "DATE OUT",
        "time": "TIME",
        "plate": "VEH REG",
        "reference": "2ND WT",
        "display": "OBW GROSS",
    }
