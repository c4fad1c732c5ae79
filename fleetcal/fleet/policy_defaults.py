"""What a policy says unless a fleet says otherwise: the defaults of its columns, and these (common practice, no source)."""

from datetime import date

from fleetcal.fleet.components import COMPONENTS, default_effect
from fleetcal.fleet.models.policies import Effect, Work

DEFAULT_NAME = "All vehicles"
# Before any record of a fleet that starts with its papers of the last years.
DEFAULT_EFFECTIVE_FROM = date(2020, 1, 1)

# The codes of all the items that an installation settles; records.models.installations says them in words.
REQUIRED_ITEMS = (
    "channels",
    "recognised",
    "axles",
    "pairs",
    "surface",
    "temperature",
    "pressed",
    "supported",
    "travel",
    "leads",
    "units",
    "supply",
    "clock",
    "alarm gross",
    "alarm axles",
    "cured",
)

RepairRules = dict[tuple[str, str], Effect]


def default_repair_rules() -> RepairRules:
    return {
        (component.name, str(work)): default_effect(component.name, work)
        for component in COMPONENTS
        for work in Work
    }
