"""lowtail: defensible low-percentile strength from a handful of destructive tests.

``read_breaks -> split -> fit -> low_bound | compare | plan -> table | plot | report``

Names are loaded when first used, so that ``import lowtail`` and the command's help stay fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOME: dict[str, str] = {}
for _module, _names in {
    "errors": "BadCell InputError LowtailError LowtailWarning MissingExtraError NoAnswerError TableError",
    "records.log": "BreakLog check_breaks read_breaks",
    "records.slips": "slip_table",
    "records.sample": "Sample split",
    "records.trace": "Trace check_trace read_trace",
    "records.peak": "PeakLoad peak_load",
    "records.budget": "LoadCell",
    "records.trace_table": "trace_rows",
    "records.trace_log": "append_to_log",
    "records.under_read": "under_read_crest under_read_flank",
    "models.families": "FAMILIES LOGNORMAL NORMAL WEIBULL Family",
    "models.fit": "Fit fit fit_many",
    "models.confidence_law": "ConfidenceLaw confidence_law",
    "models.search": "SpreadPrior",
    "models.many": "confidence_many low_many",
    "models.earlier_series": "spread_prior",
    "models.threshold": "ThresholdFit fit_threshold",
    "models.empirical": "PlottingPositions StrengthSteps plotting_positions strength_steps",
    "models.second_opinion": "SecondOpinion second_opinion",
    "claims.basis": "BASES Basis",
    "claims.strength.low_bound": "Demonstrated LowBound confidence_that low_bound",
    "claims.strength.governing": "Governing governing",
    "claims.strength.unseen": "UnseenMinority unseen_minority",
    "claims.strength.groups": "CanAnswer can_answer",
    "claims.strength.judging": "Judged Verdict judge",
    "claims.strength.rating": "rating_check",
    "claims.strength.table": "strength_table",
    "claims.strength.large": "strength_table_large",
    "claims.strength.batches": "BatchBound batch_bound",
    "claims.strength.sensitivity": "Sensitivity sensitivity",
    "claims.strength.spread": "EqualSpread SharedGain equal_spread shared_gain",
    "claims.checks.adequacy": "Adequacy adequacy",
    "claims.checks.outliers": "Outliers influence outliers",
    "claims.checks.pooling": "Pooling pooling",
    "claims.parts.modes": "Modes modes",
    "claims.parts.weak_link": "WeakLink weak_link",
    "claims.parts.common_cause": "common_cause",
    "claims.parts.fuse": "FuseWindow fuse_window",
    "claims.comparison.compare": "Comparison compare",
    "claims.comparison.compare_levels": "Levels compare_levels",
    "claims.comparison.compare_table": "compare_table",
    "claims.comparison.named_tests": "TwoSampleTest two_sample_test",
    "claims.drops.drop_response": "DropResponse FixedDrop drop_response fixed_drop",
    "claims.drops.next_drop": "NextDrop next_drop",
    "claims.drops.up_and_down": "UpAndDown up_and_down",
    "claims.comparison.power_grid": "power_grid",
    "claims.trend.rate_effect": "RateEffect rate_effect",
    "claims.trend.retention": "Retention retention retention_table",
    "claims.planning.plan": "Claim Plan",
    "claims.planning.plan_bound": "plan_bound",
    "claims.planning.plan_zero_failure": "plan_zero_failure",
    "claims.planning.plan_comparison": "plan_comparison",
    "claims.planning.plan_precision": "plan_precision",
    "claims.planning.more_samples": "more_samples",
    "claims.planning.what_if": "what_if",
    "claims.planning.plan_batches": "plan_batches",
    "claims.planning.plan_table": "plan_table",
    "claims.planning.plan_looks": "look_confidence plan_looks",
    "claims.planning.more_comparison": "more_comparison",
    "claims.planning.next_specimens": "NextSpecimens next_specimens",
    "report.plots_batches": "plot_batches",
    "report.plots_breaks": "plot_breaks",
    "report.plots_probability": "plot_probability",
    "report.plots_low_bounds": "plot_low_bounds",
    "report.plots_comparison": "plot_comparison",
    "report.plots_plan": "plot_plan",
    "report.plots_summary": "plot_summary",
    "report.plots_retention": "plot_retention",
    "report.plots_weak_link": "plot_weak_link",
    "report.plots_trace": "plot_trace",
    "report.style": "save_figure",
    "report.page": "Report write_report",
    "report.show": "report_table",
    "report.help": "help_me_choose",
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
