from typing import Any

import django_filters as filters
import django_tables2 as tables
from django.db.models import Case, F, Max, Min, OuterRef, QuerySet, Subquery, Value, When

from fleetcal.accounts.models import User
from fleetcal.evaluation.standing import StandingWord
from fleetcal.fleet.models import AxleGroup, Depot, Vehicle
from fleetcal.fleet.models.vehicles import Suspension, UnitKind, VehicleQuerySet
from fleetcal.fleet.selectors import depots_for, search
from fleetcal.web.tables.columns import MassColumn
from fleetcal.web.templatetags.standings import standing_mark


def with_columns(vehicles: VehicleQuerySet) -> QuerySet[Vehicle]:
    """What the table shows beside a vehicle's own columns, in one query; the suspension as `VehicleShape` gives it."""
    groups = AxleGroup.objects.filter(vehicle=OuterRef("pk")).order_by().values("vehicle")
    return (
        vehicles.select_related("depot")
        .annotate(
            lowest=Subquery(groups.annotate(x=Min("suspension")).values("x")),
            highest=Subquery(groups.annotate(x=Max("suspension")).values("x")),
        )
        .annotate(
            suspension_type=Case(
                When(lowest=F("highest"), then=F("lowest")), default=Value(Suspension.MIXED)
            ),
            standing_word=F("standing__word"),
            severity=F("standing__severity"),
            due_on=F("standing__due_on"),
        )
    )


class VehicleFilter(filters.FilterSet):
    q = filters.CharFilter(label="Plate, number or VIN", method="find")
    depot = filters.ModelChoiceFilter(queryset=Depot.objects.none(), empty_label="any")
    kind = filters.ChoiceFilter(choices=UnitKind.choices, empty_label="any")
    suspension = filters.ChoiceFilter(
        label="Suspension", field_name="suspension_type", choices=Suspension.choices, empty_label="any"
    )
    standing = filters.ChoiceFilter(
        label="Standing",
        field_name="standing__word",
        choices=[(word, word) for word in StandingWord],
        empty_label="any",
    )
    service = filters.ChoiceFilter(
        label="In service",
        choices=[("retired", "retired"), ("all", "all")],
        empty_label="in service",
        method="in_service",
    )

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.filters["depot"].field.queryset = Depot.objects.filter(
            pk__in=[depot.pk for depot in depots_for(user)]
        )

    def find(self, queryset: VehicleQuerySet, name: str, value: str) -> VehicleQuerySet:
        return search(queryset, value)

    def in_service(self, queryset: VehicleQuerySet, name: str, value: str) -> VehicleQuerySet:
        return queryset if value == "all" else queryset.filter(retired_on__isnull=False)

    def filter_queryset(self, queryset: VehicleQuerySet) -> VehicleQuerySet:
        found: VehicleQuerySet = super().filter_queryset(queryset)
        return found if self.form.cleaned_data.get("service") else found.filter(retired_on__isnull=True)


class VehicleTable(tables.Table):
    registration = tables.Column(linkify=("vehicle", [tables.A("pk")]), attrs={"td": {"class": "keep"}})
    fleet_number = tables.Column(attrs={"td": {"class": "keep"}})
    kind = tables.Column()
    suspension_type = tables.Column("Suspension")
    depot = tables.Column("Depot", order_by="depot__code", accessor="depot__code")
    standing_word = tables.Column("Standing", order_by=("severity", "due_on"), empty_values=())
    due_on = tables.Column("Due", attrs={"td": {"class": "keep"}})
    in_service_on = tables.Column("In service since", attrs={"td": {"class": "keep"}})

    caption = "Vehicles"

    class Meta:
        order_by = "registration"
        sequence = (
            "registration",
            "fleet_number",
            "kind",
            "suspension_type",
            "max_gross_kg",
            "depot",
            "standing_word",
            "...",
        )

    def __init__(self, data: QuerySet[Vehicle], *, unit: str, **kwargs: Any) -> None:
        super().__init__(data, extra_columns=[("max_gross_kg", MassColumn("Maximum gross", unit))], **kwargs)

    def render_kind(self, record: Vehicle) -> str:
        return record.get_kind_display()

    def render_suspension_type(self, value: str) -> str:
        return str(Suspension(value).label)

    def render_standing_word(self, record: Any) -> str:
        if not record.standing_word:
            return "not yet evaluated"
        return standing_mark(record.standing_word)

    def value_standing_word(self, record: Any) -> str:
        return record.standing_word or ""
