from decimal import Decimal
from typing import Any

import django_tables2 as tables
from django.db.models import OuterRef, QuerySet, Subquery

from fleetcal.fleet.models import Policy, PolicyVersion
from fleetcal.web.policy_words import number
from fleetcal.web.tables.columns import NUMERIC


def with_columns(policies: QuerySet[Policy]) -> QuerySet[Policy]:
    newest = PolicyVersion.objects.filter(policy=OuterRef("pk")).order_by("-number")
    names = ("number", "effective_from", "gross_percent", "group_percent")
    return policies.annotate(**{f"newest_{name}": Subquery(newest.values(name)[:1]) for name in names})


class PolicyTable(tables.Table):
    name = tables.Column(linkify=("policy", [tables.A("pk")]))
    unit_kind = tables.Column("For", empty_values=())
    suspension = tables.Column("Suspension", empty_values=())
    newest_number = tables.Column("Newest version", attrs=NUMERIC)
    newest_effective_from = tables.Column("Effective from")
    newest_gross_percent = tables.Column("Gross, ±%", attrs=NUMERIC)
    newest_group_percent = tables.Column("Axle group, ±%", attrs=NUMERIC)

    caption = "Policies"

    class Meta:
        order_by = "name"
        empty_text = "No policy yet. Without one nothing can be judged: make the first, for all vehicles."

    def render_newest_gross_percent(self, value: Decimal) -> str:
        return number(value)

    def render_newest_group_percent(self, value: Decimal) -> str:
        return number(value)

    def render_unit_kind(self, record: Policy) -> Any:
        return record.get_unit_kind_display() or "every kind"

    def render_suspension(self, record: Policy) -> Any:
        return record.get_suspension_display() or "any"
