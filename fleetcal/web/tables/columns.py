from decimal import Decimal
from typing import Any

import django_tables2 as tables

from fleetcal.metrology.mass import from_kg
from fleetcal.web.templatetags.quantities import mass

NUMERIC = {"th": {"class": "num"}, "td": {"class": "num"}}


class MassColumn(tables.Column):
    """Kilograms shown in the reader's unit, which stands in the head; a plain number in exports."""

    def __init__(self, name: str, unit: str, **kwargs: Any) -> None:
        super().__init__(f"{name}, {unit}", attrs=NUMERIC, **kwargs)
        self.unit = unit

    def render(self, value: Any) -> str:
        return mass(value, self.unit)

    def value(self, value: Any, **kwargs: Any) -> Any:
        return None if value is None else float(round(from_kg(Decimal(value), self.unit), 1))
