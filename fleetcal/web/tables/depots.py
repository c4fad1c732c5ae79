import django_tables2 as tables

from fleetcal.fleet.models import Depot
from fleetcal.web.tables.columns import NUMERIC


class DepotTable(tables.Table):
    code = tables.Column(linkify=("depot_edit", [tables.A("pk")]))
    name = tables.Column()
    address = tables.Column()
    time_zone = tables.Column()
    vehicles_in_service = tables.Column("Vehicles in service", attrs=NUMERIC)
    is_closed = tables.Column("State")

    caption = "Depots"

    class Meta:
        order_by = "code"
        empty_text = "No depot yet. Register the first one: every vehicle has a home depot."

    def render_is_closed(self, record: Depot) -> str:
        return "closed" if record.is_closed else "open"
