"""What grants pay for belts: where they qualify, how much, when, and why not elsewhere."""

from shelterscape.science.grants.belts import READ_COLUMNS, complete
from shelterscape.science.grants.ground import Ground, lay_out
from shelterscape.science.grants.maps import agreements_in_force, areas_by_category
from shelterscape.science.grants.net import net_cost
from shelterscape.science.grants.paying import Payments, payments
from shelterscape.science.grants.scheme import Rate, Scheme
from shelterscape.science.grants.thresholds import Threshold, reached
from shelterscape.science.grants.widening import widening

__all__ = [
    "READ_COLUMNS",
    "Ground",
    "Payments",
    "Rate",
    "Scheme",
    "Threshold",
    "agreements_in_force",
    "areas_by_category",
    "complete",
    "lay_out",
    "net_cost",
    "payments",
    "reached",
    "widening",
]
