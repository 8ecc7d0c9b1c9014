"""How many to test, and which next."""

from lowtail.claims.planning.batches import batches
from lowtail.claims.planning.comparison import comparison
from lowtail.claims.planning.core.plan import Claim, Plan
from lowtail.claims.planning.looks import look_confidence, looks
from lowtail.claims.planning.more_comparison import more_comparison
from lowtail.claims.planning.more_samples import more_samples
from lowtail.claims.planning.new_series import new_series
from lowtail.claims.planning.next_specimens import NextSpecimens, next_specimens
from lowtail.claims.planning.power_grid import power_grid
from lowtail.claims.planning.precision import precision
from lowtail.claims.planning.table import table
from lowtail.claims.planning.what_if import what_if
from lowtail.claims.planning.zero_failure import zero_failure

__all__ = [
    "Claim",
    "NextSpecimens",
    "Plan",
    "batches",
    "comparison",
    "look_confidence",
    "looks",
    "more_comparison",
    "more_samples",
    "new_series",
    "next_specimens",
    "power_grid",
    "precision",
    "table",
    "what_if",
    "zero_failure",
]


def __dir__() -> list[str]:
    return __all__
