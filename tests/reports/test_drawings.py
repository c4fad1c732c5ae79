"""The product's drawings on paper."""

from datetime import date

import pytest
from reportlab.graphics import shapes

from fleetcal.drawing.history import EstimatePoint, HistoryData, HistoryPoint, HistoryRule, draw_history
from fleetcal.drawing.strip import StripData, draw_strip
from fleetcal.evaluation.standing import StandingWord
from fleetcal.reports.drawings import draw_on_paper, standing_mark

TODAY = date(2026, 11, 25)
HISTORY = HistoryData(
    name="KJ-204",
    tolerance=3.0,
    guard=1.0,
    today=TODAY,
    points=(
        HistoryPoint(on=date(2026, 3, 3), error=1.0, U=0.5),
        HistoryPoint(on=date(2026, 4, 3), error=9.0, counted=False),
    ),
    rules=(HistoryRule(on=date(2026, 5, 4), word="calibrated"),),
    estimate=(
        EstimatePoint(on=date(2026, 6, 1), error=0.1, low=-0.5, high=0.7),
        EstimatePoint(on=date(2026, 12, 1), error=0.2, low=-1.0, high=1.4),
    ),
)


def marks_of(group: shapes.Group) -> list[shapes.Shape]:
    found = []
    for item in group.contents:
        found += marks_of(item) if isinstance(item, shapes.Group) else [item]
    return found


def test_it_keeps_its_shape_at_any_width():
    drawing = draw_strip(StripData(tolerance=2.0, error=1.0, U=0.4))
    paper = draw_on_paper(drawing, 90.0)
    assert (paper.width, paper.height) == (90.0, 90.0 * drawing.height / drawing.width)


def test_words_stand_in_it_and_today_does_not():
    words = [
        mark.text
        for mark in marks_of(draw_on_paper(draw_history(HISTORY), 500))
        if isinstance(mark, shapes.String)
    ]
    assert "calibrated" in words
    assert "today" not in words


def test_nothing_is_drawn_that_only_answers_to_a_pointer():
    drawing = draw_history(HISTORY)
    hits = sum(shape.role == "hit" for item in drawing.items for shape in getattr(item, "shapes", ()))
    assert hits > 0
    invisible = [
        mark
        for mark in marks_of(draw_on_paper(drawing, 500))
        if getattr(mark, "strokeColor", None) is None and getattr(mark, "fillColor", None) is None
    ]
    assert invisible == []


@pytest.mark.parametrize("word", list(StandingWord))
def test_every_standing_has_a_mark_of_its_own_shape(word: StandingWord):
    def outline(word: str) -> list[tuple[type, object]]:
        return [(type(mark), getattr(mark, "points", None)) for mark in standing_mark(word).contents]

    others = [outline(other) for other in StandingWord if other != word]
    assert outline(word) not in others
