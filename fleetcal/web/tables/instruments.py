from datetime import date
from typing import Any

import django_filters as filters
import django_tables2 as tables
from django.db.models import Max, QuerySet

from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.models import Depot, Instrument
from fleetcal.fleet.models.instruments import InstrumentKind
from fleetcal.web.tables.columns import MassColumn


class InstrumentFilter(filters.FilterSet):
    q = filters.CharFilter(label="Name", field_name="name", lookup_expr="icontains")
    kind = filters.ChoiceFilter(choices=InstrumentKind.choices, empty_label="any")
    depot = filters.ModelChoiceFilter(queryset=Depot.objects.all(), empty_label="any")
    use = filters.ChoiceFilter(
        label="In use",
        choices=[("retired", "no longer used"), ("all", "all")],
        empty_label="in use",
        method="in_use",
    )

    def in_use(self, queryset: QuerySet[Instrument], name: str, value: str) -> QuerySet[Instrument]:
        return queryset if value == "all" else queryset.filter(retired_on__isnull=False)

    def filter_queryset(self, queryset: QuerySet[Instrument]) -> QuerySet[Instrument]:
        found: QuerySet[Instrument] = super().filter_queryset(queryset)
        return found if self.form.cleaned_data.get("use") else found.filter(retired_on__isnull=True)


def with_columns(instruments: QuerySet[Instrument]) -> QuerySet[Instrument]:
    return instruments.select_related("depot").annotate(newest_until=Max("certificates__valid_until"))


class InstrumentTable(tables.Table):
    name = tables.Column(linkify=("instrument", [tables.A("pk")]))
    kind = tables.Column()
    scale_class = tables.Column("Class")
    owner = tables.Column()
    depot = tables.Column("Depot", accessor="depot__code", empty_values=())
    newest_until = tables.Column("Certificate until", attrs={"td": {"class": "keep"}})
    state = tables.Column("As a reference today", empty_values=(), orderable=False)

    caption = "Reference instruments"

    class Meta:
        order_by = "name"
        sequence = ("name", "kind", "scale_class", "e_kg", "capacity_kg", "...")
        empty_text = "No instrument here."

    def __init__(
        self, data: QuerySet[Instrument], *, unit: str, book: InstrumentBook, day: date, **kwargs: Any
    ) -> None:
        columns = [
            ("e_kg", MassColumn("e", unit)),
            ("capacity_kg", MassColumn("Capacity", unit)),
        ]
        super().__init__(data, extra_columns=columns, **kwargs)
        self.book, self.day = book, day

    def render_kind(self, record: Instrument) -> str:
        return record.get_kind_display()

    def render_depot(self, record: Instrument) -> str:
        return record.depot.code if record.depot else ""

    def render_state(self, record: Instrument) -> str:
        validity = self.book.validity(record.pk, self.day)
        return "valid" if validity.valid else f"not valid: {validity.why_not}"
