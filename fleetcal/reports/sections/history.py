"""The error over time, drawn."""

from reportlab.platypus import CondPageBreak, Flowable

from fleetcal.drawing.history import describe_history, draw_history
from fleetcal.reports import styles
from fleetcal.reports.audit_trail import AuditTrail
from fleetcal.reports.composer import Composer
from fleetcal.reports.drawings import draw_on_paper
from fleetcal.reports.styles import TEXT_WIDTH

# Narrow enough that the gross and two groups share a page.
WIDTH = 0.9 * TEXT_WIDTH


def write_history(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    drawings = [draw_on_paper(draw_history(data), WIDTH) for data in trail.histories]
    # The first drawing goes with the heading.
    story: list[Flowable] = [CondPageBreak(drawings[0].height + 110)] if drawings else []
    story += compose.heading("Error history")
    if not trail.histories:
        story.append(compose.text("No comparison with a result stands on record in this period."))
        return story
    story.append(
        compose.small(
            "Error of the display in percent of what the tolerance refers to, against the day. Lines: tolerance; hatching: guard "
            "band, both as they were for the newest comparison. Bars: expanded uncertainty. Filled: counted for the schedule; "
            "open: did not. Vertical rules: calibrations and suspension work. Arrows: beyond the scale. The numbers stand in the "
            "section on checks."
        )
    )
    for data, drawing in zip(trail.histories, drawings, strict=True):
        story += [
            CondPageBreak(drawing.height + 40),
            compose.text(data.name, styles.CAPTION),
            drawing,
            compose.small(describe_history(data)),
        ]
    return story
