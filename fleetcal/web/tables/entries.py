from datetime import date, datetime, time, timedelta
from typing import Any

import django_filters as filters
import django_tables2 as tables
from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from fleetcal.accounts.models import User
from fleetcal.evaluation.services import ACTOR
from fleetcal.fleet.days import moment_text
from fleetcal.fleet.selectors import search, vehicles_for
from fleetcal.ledger.naming import names_of
from fleetcal.ledger.selectors import EntryView, view_of
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.reports.entry_words import KINDS, entry_text, kind_text
from fleetcal.web.forms.days import DayField
from fleetcal.web.tables.columns import NUMERIC


class DayFilter(filters.DateFilter):
    field_class = DayField


class EntryFilter(filters.FilterSet):
    """The filters of the activity; days are those of the person in front of the page."""

    vehicle = filters.CharFilter(label="Plate, number or VIN", method="of_vehicle")
    kind = filters.ChoiceFilter(
        label="What",
        choices=[(kind, kind_text(kind)) for kind in sorted(KINDS, key=kind_text)],
        empty_label="any",
    )
    actor = filters.ChoiceFilter(label="By", empty_label="anybody")
    since = DayFilter(label="From", method="from_day")
    until = DayFilter(label="To", method="to_day")

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user
        people = User.objects.order_by("username").values_list("username", flat=True)
        self.filters["actor"].extra["choices"] = [(ACTOR, ACTOR), *((name, name) for name in people)]

    def of_vehicle(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        found = search(vehicles_for(self.user), value).order_by().values_list("pk", flat=True)
        return queryset.filter(stream__in=[str(pk) for pk in found])

    def from_day(self, queryset: QuerySet[Any], name: str, value: date) -> QuerySet[Any]:
        return queryset.filter(at__gte=_midnight(value))

    def to_day(self, queryset: QuerySet[Any], name: str, value: date) -> QuerySet[Any]:
        return queryset.filter(at__lt=_midnight(value + timedelta(days=1)))


def _midnight(day: date) -> datetime:
    return timezone.make_aware(datetime.combine(day, time()))


class EntryTable(tables.Table):
    at = tables.Column("When", order_by="pk", attrs={"td": {"class": "keep"}})
    stream = tables.Column("Vehicle", orderable=False, attrs={"td": {"class": "keep"}})
    what = tables.Column("What", accessor="kind", order_by=("kind", "pk"))
    reason = tables.Column("Reason", empty_values=(), orderable=False)
    actor = tables.Column("By", order_by=("actor", "pk"))
    seq = tables.Column("Entry", orderable=False, attrs=NUMERIC)
    digest = tables.Column("Digest", orderable=False)

    caption = "Entries of the ledger"

    class Meta:
        order_by = "-at"
        empty_text = "Nothing is on record here."

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._views: dict[int, EntryView] = {}
        self._names: dict[str, str] | None = None

    def view(self, record: Any) -> EntryView:
        if record.pk not in self._views:
            self._views[record.pk] = view_of(record)
        return self._views[record.pk]

    def name(self, stream: str) -> str:
        """Asked once for all that are shown."""
        if self._names is None:
            shown = self.page.object_list if hasattr(self, "page") else self.rows
            self._names = names_of({row.record.stream for row in shown})
        return self._names.get(stream, stream)

    def render_at(self, value: datetime) -> str:
        return moment_text(timezone.localtime(value))

    def value_at(self, value: datetime) -> datetime:
        return timezone.localtime(value)

    def render_stream(self, value: str) -> SafeString | str:
        if value == FLEET_STREAM:
            return "fleet"
        return format_html('<a href="{}">{}</a>', reverse("vehicle", args=[value]), self.name(value))

    def value_stream(self, value: str) -> str:
        return self.name(value)

    def render_what(self, record: Any) -> str:
        return entry_text(record.kind, self.view(record).data)

    def render_reason(self, record: Any) -> str:
        return self.view(record).reason

    def render_seq(self, record: Any) -> SafeString:
        link = reverse("entry", args=[record.stream, record.seq])
        return format_html(
            '<a href="{}">{}<span class="unseen"> of {}</span></a>',
            link,
            record.seq,
            self.name(record.stream),
        )

    def value_seq(self, value: int) -> int:
        return value

    def render_digest(self, value: str) -> SafeString:
        return format_html("<code>{}…</code>", value[:12])

    def value_digest(self, value: str) -> str:
        return value
