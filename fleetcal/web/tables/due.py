from datetime import date
from decimal import Decimal
from typing import Any

import django_tables2 as tables
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from fleetcal.drawing.strip import StripData, draw_strip
from fleetcal.drawing.svg import render_svg
from fleetcal.evaluation.models import Obligation
from fleetcal.evaluation.services import reasons_from_json
from fleetcal.evaluation.standing import Action
from fleetcal.evaluation.wording import SHORT_ACTIONS, reason_text
from fleetcal.fleet.days import day_text
from fleetcal.web.templatetags.standings import standing_mark

HUNDREDTH = Decimal("0.01")


class StripColumn(tables.Column):
    """One number of the stored strip, to a hundredth of a percent."""

    def __init__(self, header: str, key: str) -> None:
        super().__init__(
            header, accessor="vehicle__standing__strip", empty_values=(), visible=False, orderable=False
        )
        self.key = key

    def value(self, record: Obligation) -> Decimal | str:
        stored = record.vehicle.standing.strip if record.vehicle else {}
        number = stored.get(self.key)
        return "" if number is None else Decimal(number).quantize(HUNDREDTH)


class DueTable(tables.Table):
    """One row for each obligation. Sorting is by the database; ties by id, so that pages never overlap."""

    caption = "What is to be done"

    vehicle = tables.Column(
        "Vehicle",
        accessor="vehicle__registration",
        empty_values=(),
        order_by=("vehicle__registration", "instrument__name"),
    )
    standing = tables.Column(
        "Standing",
        accessor="vehicle__standing__word",
        empty_values=(),
        order_by=("urgency", "due_on"),
    )
    action = tables.Column("To do")
    why = tables.Column("Why", accessor="detail", orderable=False, attrs={"td": {"class": "wide"}})
    due_on = tables.Column("By")
    strip = tables.Column(
        "Last error, gross",
        accessor="vehicle__standing__strip",
        empty_values=(),
        orderable=False,
        exclude_from_export=True,
    )
    # What the strip draws, as numbers: in the exports only.
    error = StripColumn("Last error, gross, %", "error")
    expanded = StripColumn("U, %", "U")
    tolerance = StripColumn("Tolerance ±, %", "tolerance")
    depot = tables.Column(
        "Depot", accessor="vehicle__depot__code", empty_values=(), order_by=("vehicle__depot__code", "due_on")
    )

    class Meta:
        model = Obligation
        fields: tuple[str, ...] = ()
        sequence = (
            "vehicle",
            "standing",
            "action",
            "why",
            "due_on",
            "strip",
            "error",
            "expanded",
            "tolerance",
            "depot",
        )
        order_by = ("standing",)
        empty_text = "Nothing is due here. Choose “at any time” to see what comes later."

    def __init__(self, *args: Any, unit: str, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.unit, self.today = unit, today

    def order_standing(self, queryset: Any, is_descending: bool) -> tuple[Any, bool]:
        sign = "-" if is_descending else ""
        return queryset.order_by(f"{sign}urgency", f"{sign}due_on", f"{sign}pk"), True

    def order_due_on(self, queryset: Any, is_descending: bool) -> tuple[Any, bool]:
        sign = "-" if is_descending else ""
        return queryset.order_by(f"{sign}due_on", f"{sign}pk"), True

    def render_vehicle(self, record: Obligation) -> SafeString:
        if record.vehicle:
            link = reverse("vehicle", args=[record.vehicle_id])
            return format_html(
                '<a href="{}">{}</a> <small class="soft">{}</small>',
                link,
                record.vehicle.registration,
                record.vehicle.fleet_number,
            )
        return format_html(
            '<a href="{}">{}</a>', reverse("instrument", args=[record.instrument_id]), record.instrument
        )

    def value_vehicle(self, record: Obligation) -> str:
        return str(record.vehicle or record.instrument)

    def render_standing(self, record: Obligation) -> SafeString | str:
        return standing_mark(record.vehicle.standing.word) if record.vehicle else ""

    def value_standing(self, record: Obligation) -> str:
        return record.vehicle.standing.word if record.vehicle else ""

    def render_action(self, record: Obligation) -> str:
        return SHORT_ACTIONS[Action(record.action)]

    def render_why(self, record: Obligation) -> str:
        if "reason" not in record.detail:
            return self._certificate(record)
        [first, *others] = reasons_from_json([record.detail["reason"], *record.detail["also"]])
        more = f" (and {len(others)} more)" if others else ""
        return reason_text(first) + more

    def _certificate(self, record: Obligation) -> str:
        if not record.detail.get("has_certificate"):
            return "no certificate on record"
        return "certificate has ended" if record.due_on < self.today else "certificate ends"

    def render_due_on(self, value: date) -> SafeString:
        late = (self.today - value).days
        note = (
            f"{late} days ago"
            if late > 1
            else "yesterday"
            if late == 1
            else "today"
            if late == 0
            else f"in {-late} days"
        )
        return format_html(
            '<span class="keep">{}</span> <small class="soft keep">{}</small>', day_text(value), note
        )

    def value_due_on(self, value: date) -> str:
        return value.isoformat()

    def render_strip(self, record: Obligation) -> SafeString | str:
        data = strip_data(record.vehicle.standing.strip) if record.vehicle else None
        if data is None:
            return "" if record.vehicle is None else mark_safe('<span class="soft">no check yet</span>')
        return mark_safe(render_svg(draw_strip(data), prefix=f"strip-{record.pk}"))

    def render_depot(self, record: Obligation) -> str:
        place = record.vehicle.depot if record.vehicle else record.instrument and record.instrument.depot
        return place.code if place else ""


def strip_data(stored: dict[str, Any]) -> StripData | None:
    """The stored numbers of a strip as the drawing takes them; None where there is no error or no tolerance."""
    if not stored or stored["error"] is None or not stored["tolerance"]:
        return None
    return StripData(
        tolerance=float(stored["tolerance"]),
        error=float(stored["error"]),
        U=float(stored["U"]) if stored["U"] else None,
        guard=min(max(0.0, float(stored["guard"] or 0)), float(stored["tolerance"])),
    )
