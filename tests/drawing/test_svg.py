import re
import xml.etree.ElementTree as ET
from datetime import date

import pytest

from fleetcal.drawing.history import HistoryData, HistoryPoint, HistoryRule, draw_history
from fleetcal.drawing.primitives import ROLES, Drawing, DrawingError, Line, Text
from fleetcal.drawing.strip import StripData, draw_strip
from fleetcal.drawing.svg import render_svg

SVG = "{http://www.w3.org/2000/svg}"
STRIP = draw_strip(StripData(tolerance=2, error=1.3, U=0.4, guard=0.4, tail_from=1.4, tail_to=1.9))
HISTORY = draw_history(
    HistoryData(
        name="Gross",
        tolerance=2,
        guard=0.4,
        today=date(2026, 11, 25),
        points=(
            HistoryPoint(on=date(2026, 3, 1), error=0.4, U=0.5),
            HistoryPoint(on=date(2026, 9, 1), error=9.0, counted=False),
        ),
        rules=(
            HistoryRule(on=date(2026, 2, 20), word="repair", record='<script>alert("1")</script> & more'),
        ),
    )
)


@pytest.mark.parametrize("drawing", [STRIP, HISTORY])
def test_nothing_but_classes_carries_the_look(drawing: Drawing) -> None:
    presentation = {"style", "fill", "stroke", "stroke-width", "font-size", "font-family", "opacity"}
    for element in ET.fromstring(render_svg(drawing, "a")).iter():
        assert presentation.isdisjoint(element.attrib)
        assert not any(name.startswith("on") for name in element.attrib)
        assert element.tag not in {f"{SVG}style", f"{SVG}script"}


@pytest.mark.parametrize("drawing", [STRIP, HISTORY])
def test_every_class_is_a_role(drawing: Drawing) -> None:
    classes = {c for e in ET.fromstring(render_svg(drawing, "a")).iter() for c in e.get("class", "").split()}
    assert {c.removeprefix("ink-") for c in classes if c.startswith("ink-")} <= set(ROLES)


def test_a_strip_is_one_image_with_its_text_equivalent() -> None:
    root = ET.fromstring(render_svg(STRIP, "row-7"))
    assert (root.get("viewBox"), root.get("role")) == ("0 0 180 22", "img")
    names = [root.find(f"{SVG}title"), root.find(f"{SVG}desc")]
    assert root.get("aria-labelledby") == "row-7-title row-7-desc"
    assert [e is not None and e.get("id") for e in names] == ["row-7-title", "row-7-desc"]
    assert names[0] is not None
    assert names[0].text == "+1.3 % ± 0.4 %, tolerance ±2 %"


def test_an_empty_description_is_left_out() -> None:
    svg = render_svg(draw_strip(StripData(tolerance=2)), "a")
    assert 'aria-labelledby="a-title"' in svg
    assert "<desc" not in svg


def test_each_record_takes_the_focus_and_names_itself() -> None:
    root = ET.fromstring(render_svg(HISTORY, "gross"))
    records = root.findall(f"{SVG}g")
    assert root.get("role") == "group"
    assert len(records) == 4  # repair, today, and two comparisons
    for record in records:
        title = record.find(f"{SVG}title")
        assert title is not None
        assert title.text
        assert record.get("tabindex") == "0"
        assert record.get("aria-labelledby") == title.get("id")


def test_ids_are_unique_and_start_with_the_prefix() -> None:
    ids = re.findall(r' id="([^"]+)"', render_svg(HISTORY, "gross"))
    assert len(ids) == len(set(ids)) == 6
    assert all(name.startswith("gross-") for name in ids)


def test_words_are_escaped() -> None:
    svg = render_svg(HISTORY, "a")
    assert "<script" not in svg
    assert "&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt; &amp; more" in svg


def test_characters_that_xml_does_not_allow_are_replaced() -> None:
    drawing = Drawing("strip", 10, 10, "a\x00b\x1f\ud800c", "", (Text("label", 0, 0, "\x0b"),))
    root = ET.fromstring(render_svg(drawing, "a"))
    assert [element.text for element in root] == ["a\ufffdb\ufffd\ufffdc", "\ufffd"]


@pytest.mark.parametrize("prefix", ["", "7a", "a b", 'a"', "a>", "é"])
def test_it_refuses_a_prefix_that_is_no_plain_id(prefix: str) -> None:
    with pytest.raises(DrawingError, match="an id cannot start with"):
        render_svg(STRIP, prefix)


def test_the_same_data_gives_the_same_bytes() -> None:
    data = StripData(tolerance=3, error=-1 / 3, U=0.1, guard=0.1)
    assert render_svg(draw_strip(data), "x") == render_svg(draw_strip(data), "x")


def test_numbers_are_short_and_zero_has_no_sign() -> None:
    drawing = Drawing("strip", 10, 10, "t", "", (Line("axis", -0.001, 1 / 3, 2.5, 100.0),))
    assert '<line class="ink-axis" x1="0" y1="0.33" x2="2.5" y2="100"/>' in render_svg(drawing, "x")
