"""lowtail: defensible low-percentile strength from a handful of destructive tests.

``read_breaks -> log.samples -> fit -> lower_bound | compare | plan -> table | plot | report``

On top stands what every job needs; the rest is in the namespaces ``plan``, ``plot``, ``checks``, ``parts``, ``drops``,
``trend``, ``trace`` and ``many``. Names are loaded when first used, so that ``import lowtail`` and the command's help
stay fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_NAMESPACES = ("checks", "drops", "many", "parts", "plan", "plot", "trace", "trend")
_HOME: dict[str, str] = {}
for _module, _names in {
    "errors": "BadCell InputError LowtailError LowtailWarning MissingExtraError NoAnswerError NoSuchGroupError "
    "TableError",
    "_shared.sample": "Sample",
    "logs.breaks.log": "BreakLog check_breaks read_breaks",
    "logs.breaks.samples": "Samples",
    "models.distributions.families": "FAMILIES LOGNORMAL NORMAL WEIBULL Family",
    "models.distributions.fit": "Fit fit",
    "models.confidence.distribution": "ConfidenceDistribution confidence_distribution",
    "models.confidence.search": "ScalePrior",
    "models.confidence.earlier_series": "scale_prior",
    "claims.basis": "BASES Basis",
    "claims.strength.answer": "LowerBound",
    "claims.strength.lower_bound": "Demonstrated confidence_that lower_bound",
    "claims.strength.governing": "Governing governing",
    "claims.strength.judging": "Judged Verdict judge",
    "claims.strength.rating": "rating_check",
    "claims.strength.table": "strength_table",
    "claims.strength.batches": "BatchBound batch_bound",
    "claims.to_come.prediction": "Prediction prediction",
    "claims.to_come.acceptance": "LotAcceptance accept_batch",
    "claims.comparison.compare": "compare",
    "claims.comparison.answer": "Comparison",
    "claims.comparison.levels": "Levels compare_levels",
    "claims.comparison.table": "compare_table",
    "claims.comparison.named_tests": "TwoSampleTest two_sample_test",
    "report.first_lines": "FirstLines first_lines",
    "report.what_it_answers": "what_it_answers",
    "report.page.show": "report_table",
    "report.page.page": "Report write_report",
}.items():
    for _name in _names.split():
        _HOME[_name] = _module

__all__ = sorted([*_HOME, *_NAMESPACES])


def __getattr__(name: str) -> Any:
    if name in _NAMESPACES:
        value: Any = import_module(f"lowtail.{name}")
    elif name in _HOME:
        value = getattr(import_module(f"lowtail.{_HOME[name]}"), name)
    else:
        raise AttributeError(_unknown(name))
    globals()[name] = value
    return value


def _unknown(name: str) -> str:
    """Words for a name that is not there, with the nearest that is, on top or in a namespace."""
    from difflib import get_close_matches

    text = f"module 'lowtail' has no attribute {name!r}"
    if name.startswith("__"):
        return text
    there = {n: n for n in __all__}
    for space in _NAMESPACES:
        there |= {n: f"{space}.{n}" for n in import_module(f"lowtail.{space}").__all__ if n not in there}
    near = get_close_matches(name, there, 1, 0.6)
    return f"{text}. Did you mean lt.{there[near[0]]}?" if near else text


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
