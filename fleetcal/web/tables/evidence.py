from collections.abc import Mapping
from datetime import date
from typing import Any
from urllib.parse import urlencode

import django_tables2 as tables
from django.db.models import QuerySet
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

from fleetcal.fleet.models import Vehicle
from fleetcal.web.forms.evidence import IN_ADDRESS
from fleetcal.web.templatetags.standings import standing_mark


class EvidenceTable(tables.Table):
    """One row for each vehicle, with the report of the period that was chosen."""

    registration = tables.Column(linkify=("vehicle", [tables.A("pk")]), attrs={"td": {"class": "keep"}})
    fleet_number = tables.Column(attrs={"td": {"class": "keep"}})
    depot = tables.Column("Depot", order_by="depot__code", accessor="depot__code")
    standing_word = tables.Column("Standing today", order_by=("severity", "due_on"), empty_values=())
    report = tables.Column("Audit report", empty_values=(), orderable=False, exclude_from_export=True)

    caption = "Vehicles, each with its audit report"

    class Meta:
        order_by = "registration"
        empty_text = "No vehicle here. Change the filter."

    def __init__(self, data: QuerySet[Vehicle], *, chosen: Mapping[str, Any], **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        days = {IN_ADDRESS.get(name, name): value for name, value in chosen.items() if value}
        self.query = urlencode(
            {name: value.isoformat() if isinstance(value, date) else value for name, value in days.items()}
        )

    def render_standing_word(self, record: Any) -> str:
        return standing_mark(record.standing_word) if record.standing_word else "not yet evaluated"

    def value_standing_word(self, record: Any) -> str:
        return record.standing_word or ""

    def render_report(self, record: Vehicle) -> SafeString:
        address = reverse("audit_pdf", args=[record.pk])
        return format_html(
            '<a href="{}{}" download>PDF<span class="unseen"> of {}</span></a>',
            address,
            f"?{self.query}" if self.query else "",
            record.registration,
        )
