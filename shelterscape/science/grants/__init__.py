"""Grant payments for belts: where they qualify, how much is paid and when, and reasons."""

from shelterscape.science.grants.actions import WorkDates, grant_actions
from shelterscape.science.grants.belts import READ_COLUMNS, complete_belts
from shelterscape.science.grants.ground import Ground, divide_ground
from shelterscape.science.grants.maps import agreements_in_force, areas_by_category
from shelterscape.science.grants.net import net_cost
from shelterscape.science.grants.paying import Payments, payments
from shelterscape.science.grants.scheme import Rate, Scheme
from shelterscape.science.grants.thresholds import Threshold, threshold_comparison
from shelterscape.science.grants.widening import widening_options

__all__ = [
    "READ_COLUMNS",
    "Ground",
    "Payments",
    "Rate",
    "Scheme",
    "Threshold",
    "WorkDates",
    "agreements_in_force",
    "areas_by_category",
    "complete_belts",
    "divide_ground",
    "grant_actions",
    "net_cost",
    "payments",
    "threshold_comparison",
    "widening_options",
]
