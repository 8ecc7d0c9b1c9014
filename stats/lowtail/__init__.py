"""lowtail: defensible low-percentile strength from a handful of destructive tests.

``read_breaks -> split -> fit -> lower_bound | compare | plan -> table | plot | report``

Names are loaded when first used, so that ``import lowtail`` and the command's help stay fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOME: dict[str, str] = {}
for _module, _names in {
    "errors": "BadCell InputError LowtailError LowtailWarning MissingExtraError NoAnswerError TableError",
    "logs.breaks.log": "BreakLog check_breaks read_breaks",
    "logs.breaks.slips": "slip_table",
    "logs.sample": "Sample split",
    "logs.traces.trace": "Trace check_trace read_trace",
    "logs.traces.peak": "PeakLoad peak_load",
    "logs.traces.budget": "LoadCell",
    "logs.traces.rows": "trace_rows",
    "logs.traces.append": "append_to_log",
    "logs.traces.under_read": "under_read_crest under_read_flank",
    "models.distributions.families": "FAMILIES LOGNORMAL NORMAL WEIBULL Family",
    "models.distributions.fit": "Fit fit fit_many",
    "models.confidence.distribution": "ConfidenceDistribution confidence_distribution",
    "models.confidence.search": "ScalePrior",
    "models.confidence.many": "confidence_many low_many",
    "models.confidence.earlier_series": "scale_prior",
    "models.distributions.threshold": "ThresholdFit fit_threshold",
    "models.distributions.empirical": "PlottingPositions KaplanMeier plotting_positions kaplan_meier",
    "models.distributions.second_opinion": "SecondOpinion second_opinion",
    "claims.basis": "BASES Basis",
    "claims.strength.lower_bound": "Demonstrated LowerBound confidence_that lower_bound",
    "claims.strength.governing": "Governing governing",
    "claims.strength.unseen": "UnseenMinority unseen_minority",
    "claims.strength.groups": "CanAnswer can_answer",
    "claims.strength.judging": "Judged Verdict judge",
    "claims.strength.rating": "rating_check",
    "claims.strength.table": "strength_table",
    "claims.strength.archive": "strength_table_large",
    "claims.strength.batches": "BatchBound batch_bound",
    "claims.checks.sensitivity": "Sensitivity sensitivity",
    "claims.checks.equal_scale": "EqualScale SharedGain equal_scale shared_gain",
    "claims.checks.goodness_of_fit": "GoodnessOfFit goodness_of_fit",
    "claims.checks.outliers": "Outliers influence outliers",
    "claims.checks.pooling": "Pooling pooling",
    "claims.checks.failure_modes": "FailureModes modes",
    "claims.parts.weak_link": "WeakLink weak_link",
    "claims.parts.common_cause": "common_cause",
    "claims.parts.fuse": "FuseWindow fuse_window",
    "claims.comparison.compare": "Comparison compare",
    "claims.comparison.levels": "Levels compare_levels",
    "claims.comparison.table": "compare_table",
    "claims.comparison.named_tests": "TwoSampleTest two_sample_test",
    "claims.drops.drop_response": "DropResponse DropProportion drop_response drop_proportion",
    "claims.drops.next_drop": "NextDrop next_drop",
    "claims.drops.up_and_down": "UpAndDown up_and_down",
    "claims.planning.power_grid": "power_grid",
    "claims.trend.rate_effect": "RateEffect rate_effect",
    "claims.trend.retention": "Retention retention retention_table",
    "claims.planning.core.plan": "Claim Plan",
    "claims.planning.new_series": "plan_bound",
    "claims.planning.zero_failure": "plan_zero_failure",
    "claims.planning.comparison": "plan_comparison",
    "claims.planning.precision": "plan_precision",
    "claims.planning.more_samples": "more_samples",
    "claims.planning.what_if": "what_if",
    "claims.planning.batches": "plan_batches",
    "claims.planning.table": "plan_table",
    "claims.planning.looks": "look_confidence plan_looks",
    "claims.planning.more_comparison": "more_comparison",
    "claims.planning.next_specimens": "NextSpecimens next_specimens",
    "report.figures.batches": "plot_batches",
    "report.figures.breaks": "plot_breaks",
    "report.figures.probability": "plot_probability",
    "report.figures.lower_bounds": "plot_lower_bounds",
    "report.figures.comparison": "plot_comparison",
    "report.figures.plan": "plot_plan",
    "report.figures.summary": "plot_summary",
    "report.figures.retention": "plot_retention",
    "report.figures.weak_link": "plot_weak_link",
    "report.figures.trace": "plot_trace",
    "report.style": "save_figure",
    "report.page.page": "Report write_report",
    "report.page.show": "report_table",
    "report.what_it_answers": "what_it_answers",
    "report.first_lines": "FirstLines first_lines",
}.items():
    for _name in _names.split():
        _HOME[_name] = _module

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name in _HOME:
        value = getattr(import_module(f"lowtail.{_HOME[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'lowtail' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
