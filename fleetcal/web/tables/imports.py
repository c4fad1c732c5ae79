from typing import Any

import django_filters as filters
import django_tables2 as tables

from fleetcal.importing.dry_run import Preview
from fleetcal.records.models import ImportedFile, TicketSource
from fleetcal.records.models.files import FileKind
from fleetcal.web.tables.columns import NUMERIC
from fleetcal.web.templatetags.quantities import mass, signed_mass

KEEP = {"td": {"class": "keep"}}


class FileFilter(filters.FilterSet):
    q = filters.CharFilter(label="Name of the file", field_name="name", lookup_expr="icontains")
    kind = filters.ChoiceFilter(choices=FileKind.choices, empty_label="any")

    class Meta:
        model = ImportedFile
        fields = ["q", "kind"]


class FileTable(tables.Table):
    name = tables.Column("File", linkify=("import_result", [tables.A("pk")]))
    kind = tables.Column()
    source = tables.Column(default="")
    recorded_at = tables.DateTimeColumn(verbose_name="Imported", attrs=KEEP)
    recorded_by = tables.Column("By", accessor="recorded_by__display_name", orderable=False)
    rows_recorded = tables.Column("Lines recorded", attrs=NUMERIC)
    rows_known = tables.Column("On record before", attrs=NUMERIC)
    rows_refused = tables.Column("With problems", attrs=NUMERIC)

    caption = "Files imported so far"

    class Meta:
        order_by = "-recorded_at"

    def render_kind(self, record: ImportedFile) -> str:
        return record.get_kind_display()


class SourceFilter(filters.FilterSet):
    q = filters.CharFilter(label="Name", field_name="name", lookup_expr="icontains")

    class Meta:
        model = TicketSource
        fields = ["q"]


class SourceTable(tables.Table):
    name = tables.Column(linkify=("source_edit", [tables.A("pk")]))
    instrument = tables.Column("Weighbridge", default="named in a column")
    unit = tables.Column("Weights in", accessor="mapping__unit", orderable=False, default="")
    dates = tables.Column("Dates", accessor="mapping__date_format", orderable=False, default="")

    caption = "Ticket sources"

    def render_dates(self, value: str) -> str:
        return value or "true dates"


class ProblemTable(tables.Table):
    line = tables.Column(attrs=NUMERIC)
    column = tables.Column(default="")
    value = tables.Column(default="")
    message = tables.Column("What to do", attrs={"td": {"class": "wide"}}, orderable=False)

    caption = "Lines with problems"


class RecordTable(tables.Table):
    line = tables.Column(attrs=NUMERIC)
    text = tables.Column("Would be recorded", attrs={"td": {"class": "wide"}}, orderable=False)

    caption = "The first lines as they would be recorded"


class PreviewTable(tables.Table):
    """Tickets as they would be judged."""

    line = tables.Column(attrs=NUMERIC)
    ticket = tables.Column(accessor="judged__draft__ticket", attrs=KEEP)
    plate = tables.Column(accessor="judged__shape__registration", attrs=KEEP)
    weighed_at = tables.DateTimeColumn(
        verbose_name="Weighed", accessor="judged__draft__weighed_at", attrs=KEEP
    )
    purpose = tables.Column(accessor="judged__draft__purpose", attrs=KEEP)
    word = tables.Column("Result", accessor="judged__outcome__gross__word", attrs=KEEP, default="no decision")
    counts = tables.Column(
        "Counts for the schedule",
        accessor="judged__why_not_counting",
        empty_values=(),
        attrs={"td": {"class": "wide"}},
    )

    caption = "The first tickets as they would be recorded"

    class Meta:
        orderable = False
        sequence = (
            "line",
            "ticket",
            "plate",
            "weighed_at",
            "reference",
            "shown",
            "error",
            "expanded",
            "word",
            "purpose",
            "counts",
        )

    def __init__(self, data: Any, *, unit: str, **kwargs: Any) -> None:
        self.unit = unit
        super().__init__(
            data,
            extra_columns=[
                (
                    name,
                    tables.Column(
                        f"{label}, {unit}",
                        accessor=f"judged__outcome__gross__{field}",
                        attrs=NUMERIC,
                        default="–",
                    ),
                )
                for name, label, field in (
                    ("reference", "Weighbridge", "reference_kg"),
                    ("shown", "Display", "indicated_kg"),
                    ("error", "Error", "error_kg"),
                    ("expanded", "± U", "expanded_kg"),
                )
            ],
            **kwargs,
        )

    def render_reference(self, value: float) -> str:
        return mass(round(value, 3), self.unit)

    render_shown = render_expanded = render_reference

    def render_error(self, value: float) -> str:
        return signed_mass(round(value, 3), self.unit)

    def render_counts(self, record: Preview) -> str:
        """Only the first reason: the record itself will name them all."""
        why_not = record.judged.why_not_counting if record.judged else ""
        return f"no: {why_not.partition(';')[0]}" if why_not else "yes"
