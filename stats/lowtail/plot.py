"""A figure an answer: each takes ``ax=`` and returns it."""

from lowtail.report.figures.batches import batches
from lowtail.report.figures.breaks import breaks
from lowtail.report.figures.comparison import comparison
from lowtail.report.figures.facets import facets
from lowtail.report.figures.lower_bounds import lower_bounds
from lowtail.report.figures.plan import plan
from lowtail.report.figures.probability import probability
from lowtail.report.figures.retention import retention
from lowtail.report.figures.summary import summary
from lowtail.report.figures.trace import trace
from lowtail.report.figures.weak_link import weak_link
from lowtail.report.style import save_figure as save

__all__ = [
    "batches",
    "breaks",
    "comparison",
    "facets",
    "lower_bounds",
    "plan",
    "probability",
    "retention",
    "save",
    "summary",
    "trace",
    "weak_link",
]


def __dir__() -> list[str]:
    return __all__
