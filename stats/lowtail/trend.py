"""Strength against age, rate or another column."""

from lowtail.claims.trend.rate_effect import RateEffect, rate_effect
from lowtail.claims.trend.retention import Retention, retention, retention_table

__all__ = ["RateEffect", "Retention", "rate_effect", "retention", "retention_table"]


def __dir__() -> list[str]:
    return __all__
