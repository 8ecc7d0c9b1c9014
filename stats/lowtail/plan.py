"""How many to test, and which next."""

from lowtail.claims.planning.batches import batches
from lowtail.claims.planning.comparison import comparison
from lowtail.claims.planning.core.claim import Claim
from lowtail.claims.planning.core.plan import Plan
from lowtail.claims.planning.grid import grid
from lowtail.claims.planning.look_levels import look_confidence
from lowtail.claims.planning.looks import looks
from lowtail.claims.planning.more_comparison import more_comparison
from lowtail.claims.planning.more_samples import more_samples
from lowtail.claims.planning.new_series import new_series
from lowtail.claims.planning.next_specimens import NextSpecimens, next_specimens
from lowtail.claims.planning.precision import precision
from lowtail.claims.planning.zero_failure import zero_failure

__all__ = [
    "Claim",
    "NextSpecimens",
    "Plan",
    "batches",
    "comparison",
    "grid",
    "look_confidence",
    "looks",
    "more_comparison",
    "more_samples",
    "new_series",
    "next_specimens",
    "precision",
    "zero_failure",
]


def __dir__() -> list[str]:
    return __all__
