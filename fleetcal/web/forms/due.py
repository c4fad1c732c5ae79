from datetime import timedelta
from typing import Any

import django_filters as filters
from django.db.models import Q, QuerySet
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.evaluation.models import Obligation
from fleetcal.evaluation.standing import Action, StandingWord
from fleetcal.evaluation.wording import SHORT_ACTIONS
from fleetcal.fleet.models import Depot
from fleetcal.fleet.models.vehicles import UnitKind, plate_key
from fleetcal.fleet.selectors import depots_for

WHEN = [
    ("open", "due now"),
    ("past", "past its day"),
    ("30", "within 30 days"),
    ("90", "within 90 days"),
    ("all", "at any time"),
]


def _depots(request: Any) -> QuerySet[Depot]:
    user: User = request.user
    return Depot.objects.filter(pk__in=[depot.pk for depot in depots_for(user)])


class DueFilter(filters.FilterSet):
    """The filters of the due list; they stay in the URL."""

    q = filters.CharFilter(label="Plate or number", method="by_text")
    when = filters.ChoiceFilter(label="When", choices=WHEN, method="by_day", empty_label=None)
    standing = filters.ChoiceFilter(
        label="Standing",
        field_name="vehicle__standing__word",
        choices=[(w.value, w.value) for w in StandingWord],
        empty_label="any",
    )
    action = filters.ChoiceFilter(
        label="To do", choices=[(a.value, SHORT_ACTIONS[a]) for a in Action], empty_label="any"
    )
    depot = filters.ModelChoiceFilter(label="Depot", queryset=_depots, method="by_depot", empty_label="any")
    kind = filters.ChoiceFilter(
        label="Kind", field_name="vehicle__kind", choices=UnitKind.choices, empty_label="any"
    )

    class Meta:
        model = Obligation
        fields: list[str] = []

    def by_text(self, queryset: QuerySet[Obligation], name: str, value: str) -> QuerySet[Obligation]:
        plate = Q(vehicle__plate_key__contains=plate_key(value)) if plate_key(value) else Q()
        return queryset.filter(
            plate | Q(vehicle__fleet_number__icontains=value) | Q(instrument__name__icontains=value)
        )

    def by_day(self, queryset: QuerySet[Obligation], name: str, value: str) -> QuerySet[Obligation]:
        today = timezone.localdate()
        if value == "open":
            return queryset.filter(opens_on__lte=today)
        if value == "past":
            return queryset.filter(due_on__lt=today)
        if value == "all":
            return queryset
        return queryset.filter(due_on__lte=today + timedelta(days=int(value)))

    def by_depot(self, queryset: QuerySet[Obligation], name: str, value: Depot) -> QuerySet[Obligation]:
        return queryset.filter(Q(vehicle__depot=value) | Q(instrument__depot=value))
