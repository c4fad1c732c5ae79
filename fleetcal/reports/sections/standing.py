"""How the vehicle stood: on the last day, through the period, and as it was noticed at the time."""

from collections import Counter

from reportlab.platypus import Flowable, Table

from fleetcal.evaluation.services import reasons_from_json
from fleetcal.evaluation.standing import StandingOnDay
from fleetcal.evaluation.wording import MEANINGS, obligation_text, reason_text
from fleetcal.fleet.days import day_text
from fleetcal.reports import styles
from fleetcal.reports.audit_trail import AuditTrail, StandingSpan
from fleetcal.reports.composer import Column, Composer
from fleetcal.reports.drawings import standing_mark
from fleetcal.reports.figures import count_text

NO_POLICY = "no policy in force"


def write_standing(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.heading(f"Standing on {day_text(trail.until)}")
    if trail.now is None:
        story.append(compose.text("No policy was in force on this day, so there is nothing to judge by."))
    else:
        story += _on_the_day(trail.now, compose)
    if trail.now is not None and _differs(trail.then, trail.now):
        story.append(compose.notice(_as_known_then(trail.then, trail.now, day_text(trail.until))))
    return story + _through_the_period(trail, compose) + _noticed(trail, compose)


def standing_line(word: str, compose: Composer) -> Flowable:
    ink = styles.STANDING_INK[word].hexval()[2:]
    words = compose.text("", styles.LEAD)
    words = type(words)(f'<font color="#{ink}"><b>{word}</b></font>', styles.LEAD)
    line = [
        ("FONT", (0, 0), (-1, -1), styles.PLAIN),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ]
    return Table([[standing_mark(word, 11), words]], [18, styles.TEXT_WIDTH - 18], style=line)


def _on_the_day(standing: StandingOnDay, compose: Composer) -> list[Flowable]:
    story: list[Flowable] = [standing_line(standing.word, compose), compose.text(MEANINGS[standing.word])]
    story += compose.bullets(_sentence(reason_text(reason)) for reason in standing.reasons)
    if standing.obligations:
        story.append(compose.text("To be done", styles.CAPTION))
        story += compose.bullets(f"{obligation_text(obligation)}." for obligation in standing.obligations)
    return story


def _differs(then: StandingOnDay | None, now: StandingOnDay) -> bool:
    return then is None or (then.word, then.reasons) != (now.word, now.reasons)


def _as_known_then(then: StandingOnDay | None, now: StandingOnDay, day: str) -> str:
    if then is None:
        found = f"no policy was on record at the end of {day}, so that there was nothing to judge by"
    else:
        reasons = "; ".join(reason_text(reason) for reason in then.reasons)
        found = f"{then.word}, from what was on record at the end of {day}: {reasons}"
    return f"As known then: {found}. As known now: {now.word}. Records that came later changed it."


def _through_the_period(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    days = Counter[str]()
    for span in trail.spans:
        days[_word(span)] += (span.until - span.since).days + 1
    told = ", ".join(
        f"{count_text(days[word], 'day')} {word}" for word in sorted(days, key=lambda w: -days[w])
    )
    columns = [
        Column("From", 12),
        Column("Until", 12),
        Column("", 3),
        Column("Standing", 17),
        Column("Why", 56),
    ]
    rows = [
        [day_text(span.since), day_text(span.until), _mark(span), _word(span), _why(span)]
        for span in trail.spans
    ]
    return [
        *compose.subheading("Through the period, from what is on record now"),
        compose.text(f"{told[:1].upper()}{told[1:]}."),
        *compose.table(columns, rows),
    ]


def _word(span: StandingSpan) -> str:
    return str(span.standing.word) if span.standing else NO_POLICY


def _mark(span: StandingSpan) -> str | Flowable:
    return standing_mark(span.standing.word, 7) if span.standing else ""


def _why(span: StandingSpan) -> str:
    return "; ".join(reason_text(reason) for reason in span.standing.reasons) if span.standing else ""


def _noticed(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.subheading("As it was noticed at the time")
    if not trail.noticed:
        return [*story, compose.text("No change of standing was noticed with a day in this period.")]
    columns = [
        Column("As of", 12),
        Column("From", 13),
        Column("To", 13),
        Column("Why", 42),
        Column("Noticed", 16),
        Column("Entry", 8, "number"),
    ]
    rows = [
        [
            day_text(noticed.change.as_of),
            noticed.change.before or "–",
            noticed.change.after,
            "; ".join(reason_text(reason) for reason in reasons_from_json(noticed.change.reasons)),
            compose.moment(noticed.change.recorded_at),
            str(noticed.receipt.seq),
        ]
        for noticed in trail.noticed
    ]
    return [*story, *compose.table(columns, rows)]


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."
