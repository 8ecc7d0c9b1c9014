"""Many samples at once: arrays of shape (B, n), and archives of many files."""

from lowtail.claims.archive import strength_table_large as strength_table
from lowtail.models.confidence.many import confidence_many as confidence_that
from lowtail.models.confidence.many import low_many as lower_bound
from lowtail.models.distributions.fit import fit_many as fit

__all__ = ["confidence_that", "fit", "lower_bound", "strength_table"]


def __dir__() -> list[str]:
    return __all__
