"""Every column that goes in or comes out: what it means and in which unit.

`BREAK_LOG` are the columns of a break log (the door); `RESULTS` are the fields of records and tables (the answers).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["BREAK_LOG", "RESULTS", "Column", "meaning", "meanings", "setting", "spoken", "titled"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its meaning, unit, kind and, for inputs, whether it is required and which words it allows."""

    meaning: str
    unit: str = ""
    kind: str = "text"
    required: bool = False
    allowed: tuple[str, ...] = ()


BREAK_LOG: dict[str, Column] = {
    "specimen": Column("name of one specimen; a specimen is tested to destruction once", required=True),
    "item": Column("what was tested: product, construction, size", required=True),
    "orientation": Column("how it was loaded: major axis, minor axis, gate open, straight, basket ..."),
    "method": Column("how the load came on: 'slow pull', 'shock' or other text"),
    "load": Column("load at break, or the highest load held, as recorded in the log's unit", "unit", "number", True),
    "unit": Column("force unit of `load`", allowed=("kN", "N", "daN", "MN", "lbf", "klbf", "kgf", "tf", "ozf")),
    "outcome": Column(
        "what ended the test; 'invalid' takes no part, and every other word but 'broke' means that the specimen held "
        "at least `load`",
        required=True,
        allowed=("broke", "held", "other part broke", "slipped", "stopped", "invalid"),
    ),
    "failed_part": Column("which part of the rig or assembly broke or let go"),
    "assembly": Column(
        "the real assembly that specimen and failed part are built into in use; empty where the other part is the rig's"
    ),
    "failure_site": Column("where on the specimen it broke: gate, basket, stitching, knot ..."),
    "batch": Column("purchase or production batch"),
    "condition": Column("new, used, wet, frozen, after exposure ..."),
    "age_years": Column("age when tested", "years", "number"),
    "rated_kN": Column("strength rating marked on the item or stated by its maker", "kN", "number"),
    "rate": Column("loading rate, in the unit named in `rate_unit`", "rate_unit", "number"),
    "rate_unit": Column("unit of `rate`, as the log states it: kN/s, mm/min ..."),
    "drop_mass_kg": Column("falling mass of a drop test", "kg", "number"),
    "drop_height_m": Column("fall height of a drop test", "m", "number"),
    "sample_rate_hz": Column("samples taken each second by the load recorder", "Hz", "number"),
    "date": Column("day of the test, best as YYYY-MM-DD", kind="date"),
    "instrument": Column("bench, rig, load cell"),
    "load_from": Column(
        "for a break between two steps of a step-loading test: the last load held, in the unit of `load`",
        "unit",
        "number",
    ),
    "load_to": Column("the load on the way to which it then broke, in the unit of `load`", "unit", "number"),
    "load_uncertainty": Column(
        "standard uncertainty (k = 1) of the load, each specimen by itself, in the unit of `load`", "unit", "number"
    ),
    "common_uncertainty": Column(
        "standard uncertainty (k = 1) that all loads of a group have in common, such as that of the calibration",
        "%",
        "number",
    ),
    "note": Column("free text"),
    "excluded": Column("true where the row is to take no part, for the reason given", kind="flag"),
    "exclusion_reason": Column("why the row takes no part; required where `excluded` is true"),
}

RESULTS: dict[str, Column] = {
    "group": Column("grouping values joined by commas"),
    "family": Column("strength distribution: weibull, normal or lognormal"),
    "n": Column("specimens used", kind="number"),
    "n_broken": Column("specimens that broke", kind="number"),
    "fraction_below": Column("fraction of the population weaker than the strength stated", kind="number"),
    "confidence": Column("one-sided confidence of the bound", kind="number"),
    "estimate": Column("best single value of the low-percentile strength, without margin", "kN", "number"),
    "low": Column(
        "lower confidence bound of the low-percentile strength; with `m`, of the lowest of the next m", "kN", "number"
    ),
    "notes": Column("what the reader must know beside the number"),
    "source": Column("file the log was read from"),
    "n_rows": Column("specimen rows read", kind="number"),
    "n_used": Column("specimens that take part", kind="number"),
    "n_set_aside": Column("specimens set aside, each for a stated reason", kind="number"),
    "n_held": Column("specimens used that held", kind="number"),
    "n_slipped": Column("specimens used that slipped out", kind="number"),
    "n_warnings": Column("warnings of the reader", kind="number"),
    "slipped": Column("specimens that slipped", kind="number"),
    "governed_by": Column("what sets the governing bound"),
    "these_batches_kN": Column("governing bound for specimens like these", "kN", "number"),
    "next_batch_kN": Column("governing bound for a batch yet to come", "kN", "number"),
    "these_batches": Column("governing bound for specimens like these", "kN", "number"),
    "next_batch": Column("governing bound for a batch yet to come", "kN", "number"),
    "cautious": Column("bound that assumes far less of the distribution", "kN", "number"),
    "slips": Column("how slips were read"),
    "unseen": Column("what the bound cannot see: a weaker kind of which no piece was tested"),
    "n_counted": Column("specimens that would have shown a weaker kind", kind="number"),
    "low_15": Column("bound if the share that could have been missed is 15 % weaker", "kN", "number"),
    "low_30": Column("bound if the share that could have been missed is 30 % weaker", "kN", "number"),
    "slipped_below": Column("specimens that slipped below the rating", kind="number"),
    "rating": Column("rated value", "kN", "number"),
    "share": Column("share of the specimens used (of a weaker kind: share of the population)", kind="number"),
    "share_low": Column("lower end of the exact two-sided interval of the share", kind="number"),
    "share_high": Column("upper end of the exact two-sided interval of the share", kind="number"),
    "n_batches": Column("batches", kind="number"),
    "sizes": Column("specimens of each batch"),
    "handbook_low": Column("analysis-of-variance bound of the handbooks, for comparison only", "kN", "number"),
    "handbook_coverage": Column(
        "how often the handbook bound really holds at these batch sizes, at its worst", kind="number"
    ),
    "spread_between": Column(
        "standard deviation between batches, of ln load or (normal distribution) in kN", kind="number"
    ),
    "spread_within": Column(
        "standard deviation within batches (Weibull: 1 / shape), of ln load or (normal distribution) in kN",
        kind="number",
    ),
    "per_batch": Column("specimens a batch", kind="number"),
    "shortfall": Column("how many total spreads the bound typically lies below the true strength", kind="number"),
    "digits": Column("digits in which other libraries agree with the fit", kind="number"),
    "largest_difference": Column("largest relative difference of another library's fit", kind="number"),
    "agrees": Column("true where other libraries agree with the fit to 0.001", kind="flag"),
    "m": Column("specimens to come", kind="number"),
    "robust": Column("how far the bound rests on the distribution, as measured"),
    "population": Column("whom the answer speaks of: a batch yet to come, or further specimens like these"),
    "lot": Column("new lot that is judged"),
    "n_qualified": Column("specimens of the earlier series", kind="number"),
    "n_broken_qualified": Column("specimens of the earlier series that broke", kind="number"),
    "failed": Column("which of lowest load and mean lies below its limit; empty where the lot is accepted"),
    "lowest_load": Column("lowest load of the lot", "kN", "number"),
    "lowest_limit": Column("least lowest load that is accepted", "kN", "number"),
    "mean_load": Column("mean load of the lot (geometric; normal distribution: plain)", "kN", "number"),
    "mean_limit": Column("least mean load that is accepted", "kN", "number"),
    "false_rejection": Column("chance that a lot as good as the earlier series is not accepted", kind="number"),
    "weaker_by": Column(
        "how much weaker the lot is whose chance of acceptance is stated, as a fraction", kind="number"
    ),
    "accepted_weaker": Column("chance that a lot so much weaker is accepted", kind="number"),
    "accepted_wider": Column("chance that a lot with scatter half as large again is accepted", kind="number"),
    "keeps_margin": Column("whether the lot is shown to keep the margin"),
    "reference": Column("arm compared against"),
    "other": Column("arm compared"),
    "n_reference": Column("specimens of the reference arm", kind="number"),
    "n_other": Column("specimens of the other arm", kind="number"),
    "n_broken_reference": Column("specimens of the reference arm that broke", kind="number"),
    "n_broken_other": Column("specimens of the other arm that broke", kind="number"),
    "typical": Column("what typical strength means here: geometric mean, mean or median"),
    "typical_reference": Column("typical strength of the reference arm", "kN", "number"),
    "typical_other": Column("typical strength of the other arm", "kN", "number"),
    "ratio": Column("ratio of typical strengths, other over reference", kind="number"),
    "ratio_low": Column("lower end of the ratio's two-sided interval", kind="number"),
    "ratio_high": Column("upper end of the ratio's two-sided interval", kind="number"),
    "ratio_low_all": Column("lower end of the ratio's interval, all comparisons of the table together", kind="number"),
    "ratio_high_all": Column("upper end of the ratio's interval, all comparisons of the table together", kind="number"),
    "n_groups": Column("configurations taken together", kind="number"),
    "value": Column('value of that column; "all" for every configuration'),
    "weaker": Column("at least so many configurations are weaker under the other arm, at 95 % for all", kind="number"),
    "stronger": Column("at least so many configurations are stronger under the other arm", kind="number"),
    "weaker_named": Column("configurations that are weaker for certain, one by one"),
    "stronger_named": Column("configurations that are stronger for certain, one by one"),
    "differ_p": Column("p value of equal ratios in all configurations (Welch's F)", kind="number"),
    "next_low": Column("lower end of the 80 % interval for the ratio of one further configuration", kind="number"),
    "next_high": Column("upper end of the 80 % interval for the ratio of one further configuration", kind="number"),
    "keeps": Column("at least so many configurations keep the margin for certain", kind="number"),
    "fails": Column("at least so many configurations fail the margin for certain", kind="number"),
    "alternative": Column("question of the p value: two-sided, less (other weaker) or greater"),
    "test": Column("name of the test"),
    "p_value": Column("p value of the test", kind="number"),
    "p_holm": Column("p value after Holm, for all comparisons of the table together", kind="number"),
    "permutation_test": Column("permutation test beside the main one"),
    "permutation_p": Column("its p value", kind="number"),
    "smallest_p": Column("smallest p that these loads can reach by the permutation test", kind="number"),
    "detectable_ratio": Column(
        "ratio below 1 that would have been shown with 80 % power at this scatter", kind="number"
    ),
    "difference": Column("weaker, stronger or no difference shown, by the interval of the ratio"),
    "margin": Column("share of the reference strength the other must keep", kind="number"),
    "keeps_low": Column("share kept, one-sided lower bound", kind="number"),
    "keeps_high": Column("share kept, one-sided upper bound", kind="number"),
    "verdict": Column("verdict on the rating, on the margin of a comparison, or on a new lot"),
    "equivalence": Column("whether the two are shown to be the same within the margin"),
    "low_fraction": Column("fraction below of the low-percentile strengths compared", kind="number"),
    "low_family": Column("strength distribution behind the low-percentile strengths compared"),
    "low_ratio": Column("ratio of low-percentile strengths, other over reference", kind="number"),
    "low_ratio_low": Column("lower end of its two-sided interval", kind="number"),
    "low_ratio_high": Column("upper end of its two-sided interval", kind="number"),
    "low_ratios": Column("ratios of the 1, 5 and 10 % strengths with intervals"),
    "scatter_ratio": Column("ratio of the scatter of log load, other over reference", kind="number"),
    "scatter_ratio_low": Column("lower end of its two-sided interval", kind="number"),
    "scatter_ratio_high": Column("upper end of its two-sided interval", kind="number"),
    "scatter_p": Column("permutation p value of equal scatter", kind="number"),
    "under_read_reference": Column("share by which the reference arm's peaks may read low at worst", kind="number"),
    "under_read_other": Column("share by which the other arm's peaks may read low at worst", kind="number"),
    "ratio_low_read": Column("lower end of the ratio's interval with the reference arm's under-reading", kind="number"),
    "ratio_high_read": Column("upper end of the ratio's interval with the other arm's under-reading", kind="number"),
    "under_read_explains": Column("whether under-reading alone could explain the difference shown", kind="flag"),
    "sentence": Column("the answer in one sentence"),
    "refusal": Column("why there is no answer"),
    "statistic": Column("test statistic, positive where the other arm is the stronger", kind="number"),
    "large_sample": Column("whether the test is only right for many specimens", kind="flag"),
    "name": Column("trace file"),
    "peak_kN": Column("highest sample of a trace as recorded, never corrected", "kN", "number"),
    "at_s": Column("time of the peak", "s", "number"),
    "broke_after": Column(
        "whether a sudden fall followed the peak: True, False, or empty where the sampling cannot tell", kind="flag"
    ),
    "loading_rate_kN_per_s": Column("robust slope of the load between 20 and 80 % of the peak", "kN/s", "number"),
    "rise_ms": Column("time from 20 to 80 % of the peak", "ms", "number"),
    "width_ms": Column("base width of the half-sine with the pulse's width at half height", "ms", "number"),
    "n_above_90": Column("samples at or above 90 % of the peak", kind="number"),
    "rate_hz": Column("samples a second", "Hz", "number"),
    "under_read_kN": Column("mean shortfall of the peak through sampling", "kN", "number"),
    "under_read_worst_kN": Column("worst shortfall of the peak through sampling", "kN", "number"),
    "crest_worst": Column("worst under-read of a rounded crest, share of the true peak", kind="number"),
    "crest_mean": Column("mean under-read of a rounded crest, share of the true peak", kind="number"),
    "flank_worst": Column("worst under-read of a break on the rising flank, share of the load at break", kind="number"),
    "flank_mean": Column("mean under-read of a break on the rising flank, share of the load at break", kind="number"),
    "ramp_worst_kN": Column("rise of the load in one sampling interval just before the peak", "kN", "number"),
    "break_share": Column(
        "load at the end of the rise over the crest of the half-sine it belongs to; 0 for a ramp", kind="number"
    ),
    "noise_kN": Column("standard deviation of the quiet level", "kN", "number"),
    "noise_lift_kN": Column("how far noise lifts the highest sample on average", "kN", "number"),
    "u_cell_kN": Column("standard uncertainty from the load cell's limit of error", "kN", "number"),
    "u_calibration_kN": Column("standard uncertainty from the calibration", "kN", "number"),
    "u_resolution_kN": Column("standard uncertainty from the resolution", "kN", "number"),
    "u_sampling_kN": Column("standard uncertainty from sampling", "kN", "number"),
    "u_noise_kN": Column("standard uncertainty from noise", "kN", "number"),
    "u_drift_kN": Column("standard uncertainty from zero drift", "kN", "number"),
    "u_kN": Column("combined standard uncertainty of the peak", "kN", "number"),
    "u_own_kN": Column("standard uncertainty that each peak has by itself", "kN", "number"),
    "u_common_percent": Column(
        "standard uncertainty that all peaks of one load cell have in common, % of the peak", "%", "number"
    ),
    "expanded_kN": Column("expanded uncertainty of the peak, k = 2", "kN", "number"),
    "clipped": Column("True where the top of the record is cut off: the true peak is higher", kind="flag"),
    "cfc": Column("channel frequency class of the crash-test filter; empty without", kind="number"),
    "peak_filtered_kN": Column("peak of the filtered record", "kN", "number"),
    "event": Column("which event of the record, from 1", kind="number"),
    "n_events": Column("events in the record", kind="number"),
    "method_hint": Column("what the loading rate suggests, with the number; never assigned"),
    "file": Column("name of the file read"),
    "sha256": Column("fingerprint of the file read"),
    "stated_rate_hz": Column("samples a second that the file states", "Hz", "number"),
    "before_kN": Column("quiet level before the loading", "kN", "number"),
    "after_kN": Column("quiet level after the loading", "kN", "number"),
    "resolution_kN": Column("smallest step between recorded values", "kN", "number"),
    "capacity_kN": Column("capacity of the load cell", "kN", "number"),
    "peak_hold_kN": Column("highest value of a peak-hold column", "kN", "number"),
    "link": Column("distribution of the share that breaks: probit or logit"),
    "axis": Column("how a column enters the distribution: log or plain"),
    "covariate": Column("column of the log that is varied"),
    "fit": Column("how the distribution was fitted"),
    "middle": Column("middle of the distribution on its axis", kind="number"),
    "spread": Column("spread of the distribution on its axis", kind="number"),
    "at_value": Column("setting that the statement is made for"),
    "at": Column("heights or energies at which given shares break, each with its interval"),
    "fraction_broken": Column("fraction of the population that breaks", kind="number"),
    "high": Column("upper end of the interval", kind="number"),
    "highest_held": Column("highest severity that a specimen held", kind="number"),
    "lowest_broken": Column("lowest severity that broke a specimen", kind="number"),
    "severity": Column("drop severity, in the unit of its column", kind="number"),
    "broken_estimate": Column("share broken as observed", kind="number"),
    "broken_high": Column("upper confidence bound of the share broken", kind="number"),
    "rule": Column("rule by which the next drop was chosen"),
    "step": Column("step of the staircase", kind="number"),
    "reason": Column("why"),
    "mean": Column("mean on the axis of the steps", kind="number"),
    "std": Column("standard deviation on the axis of the steps", kind="number"),
    "median_severity": Column("severity at which half break", kind="number"),
    "median_low": Column("lower end of its two-sided interval", kind="number"),
    "median_high": Column("upper end of its two-sided interval", kind="number"),
    "spread_from": Column("whether the spread was estimated or taken as the step"),
    "n_event": Column("number of the rarer outcome", kind="number"),
    "sum_i": Column("sum of level numbers of the rarer outcome", kind="number"),
    "sum_i2": Column("sum of squared level numbers of the rarer outcome", kind="number"),
    "std_usable": Column("whether the standard deviation may be used", kind="flag"),
    "per_decade": Column("factor on strength for a tenfold rate", kind="number"),
    "per_decade_low": Column("lower end of its two-sided interval", kind="number"),
    "per_decade_high": Column("upper end of its two-sided interval", kind="number"),
    "loss_per_decade": Column("loss of strength for a tenfold rate, as a share", kind="number"),
    "loss_low": Column("lower end of the loss's two-sided interval", kind="number"),
    "loss_high": Column("upper end of the loss's two-sided interval", kind="number"),
    "decades": Column("range tested, in factors of ten", kind="number"),
    "shown": Column("what is shown"),
    "levels": Column("labels of the levels compared, the reference first"),
    "power": Column("chance that the test would notice the alternative named", kind="number"),
    "false_alarm": Column("share of sound samples that the test would wrongly mark", kind="number"),
    "weak_share": Column("alternative named for the power: share of weak specimens", kind="number"),
    "weak_loss": Column("alternative named for the power: how much weaker they are, as a fraction", kind="number"),
    "critical": Column("limit that the statistic must pass at the false alarms stated", kind="number"),
    "critical_published": Column("limit as published, for comparison", kind="number"),
    "handbook_p": Column(
        "significance by the composites handbook's formula; empty where it is not defined", kind="number"
    ),
    "p_published": Column("p-value by the textbook approximation, for comparison only", kind="number"),
    "p_adjusted": Column("p-value adjusted for the tests made together (Holm)", kind="number"),
    "power_weak_minority": Column("chance that the test would notice the weak minority named", kind="number"),
    "power_other_family": Column("chance that the test would notice the other distribution", kind="number"),
    "other_family": Column("distribution taken as the truth for that chance"),
    "simulated": Column("simulated samples behind the p-value", kind="number"),
    "method": Column("how the figure was found"),
    "specimen": Column("name of the specimen"),
    "load_kN": Column("load at break, or highest load held", "kN", "number"),
    "upper_kN": Column(
        "load on the way to which it broke, where that is all that is known of the break", "kN", "number"
    ),
    "uncertainty_kN": Column("standard uncertainty of the load, each specimen by itself", "kN", "number"),
    "residual": Column("distance from the middle of the group, in standard deviations", kind="number"),
    "number": Column("possible outliers", kind="number"),
    "flagged": Column("names of the possible outliers"),
    "stands_out": Column("whether the specimen is a possible outlier", kind="flag"),
    "detectable": Column(
        "distance at which one single outlier would be found 8 times in 10, in standard deviations", kind="number"
    ),
    "weibull_alarm": Column("share of sound Weibull samples that this screen would mark", kind="number"),
    "low_without": Column("bound without this specimen", "kN", "number"),
    "batches": Column("batches compared", kind="number"),
    "smallest_effect": Column("fraction by which one batch must be weaker to be noticed 8 times in 10", kind="number"),
    "anderson_darling": Column("k-sample Anderson-Darling statistic, midrank", kind="number"),
    "anderson_darling_scaled": Column("the same divided by batches less 1, the handbook's scaling", kind="number"),
    "anderson_darling_standard": Column("the same less its mean, over its standard deviation", kind="number"),
    "variance_ratio": Column("variance between batches over variance within", kind="number"),
    "variance_ratio_low": Column("lower end of that ratio's exact 90 % interval", kind="number"),
    "variance_ratio_high": Column("upper end of that ratio's exact 90 % interval", kind="number"),
    "bartlett": Column(
        "Bartlett's statistic of equal scatter on the scale of the distribution, for comparison", kind="number"
    ),
    "bartlett_p": Column("its chi-square p-value, right for normal data only", kind="number"),
    "batch_share": Column("share of the variance that lies between batches", kind="number"),
    "how": Column("whether the failure modes are named in the log or only sought in the loads"),
    "finding": Column("what was found, in a sentence"),
    "mode": Column("kind of break"),
    "low_by_mode": Column("bound with every kind of break fitted apart", "kN", "number"),
    "low_as_one": Column("bound with one distribution for all, for comparison", "kN", "number"),
    "gap_from": Column("load below the largest gap between breaks", "kN", "number"),
    "gap_to": Column("load above the largest gap between breaks", "kN", "number"),
    "change": Column("change of strength per unit of the column, as a fraction", kind="number"),
    "change_low": Column("lower end of that change's 90 % interval", kind="number"),
    "change_high": Column("upper end of that change's 90 % interval", kind="number"),
    "other_settings": Column("settings of the further columns in the regression"),
    "bend_p": Column("p-value of a straight line against a bent one", kind="number"),
    "smallest_change": Column(
        "loss over the range tested that would be noticed 8 times in 10, as a fraction", kind="number"
    ),
    "tested": Column("range of settings tested"),
    "rating_kN": Column("rated strength the bound is held against", "kN", "number"),
    "reaches_low": Column("setting at which the bound falls to the rating", kind="number"),
    "reaches": Column("setting at which the estimate falls to the rating", kind="number"),
    "reaches_high": Column("setting at which the upper bound falls to the rating", kind="number"),
    "batch_low": Column("bound in a batch yet to come", "kN", "number"),
    "weakest": Column("component most likely to fail first"),
    "best_upgrade": Column("component whose strengthening helps the assembly most"),
    "upgrade": Column("fraction by which a component is strengthened in the table", kind="number"),
    "component": Column("part of the assembly"),
    "goes_first": Column("chance that this part is the one that breaks", kind="number"),
    "goes_first_low": Column("lower end of that chance's 90 % interval", kind="number"),
    "goes_first_high": Column("upper end of that chance's 90 % interval", kind="number"),
    "typical_kN": Column("median strength", "kN", "number"),
    "estimate_if_stronger": Column(
        "low-percentile strength of the assembly with this part strengthened", "kN", "number"
    ),
    "low_if_stronger": Column("its lower confidence bound", "kN", "number"),
    "correlation": Column("how strongly the components' strengths go together, 0 to 1", kind="number"),
    "assembly_kN": Column("low-percentile strength of the assembly", "kN", "number"),
    "component_kN": Column("true low-percentile strength of the component", "kN", "number"),
    "apparent_kN": Column("what tests read as independent would say of it", "kN", "number"),
    "apparent_change": Column("how much that flatters, as a fraction", kind="number"),
    "cell_limit": Column("load that the load cell must not see", "kN", "number"),
    "cell_spared": Column("share of tests in which the cell is spared", kind="number"),
    "specimen_first": Column("share of tests in which the specimen breaks first", kind="number"),
    "fuse_cv": Column("scatter of the fuse, standard deviation over mean", kind="number"),
    "weakest_fuse": Column("lowest typical strength the fuse may have", "kN", "number"),
    "strongest_fuse": Column("highest typical strength the fuse may have", "kN", "number"),
    "possible": Column("whether such a fuse exists", kind="flag"),
    "largest_cv": Column("scatter of the fuse up to which one exists", kind="number"),
    "smallest_limit": Column("limit of the cell from which on one exists", "kN", "number"),
    "question": Column("which planner answered"),
    "claim": Column("what is to be shown, in words"),
    "arms": Column("specimens by arm, reference first"),
    "n_now": Column("specimens in hand", kind="number"),
    "next_batches": Column(
        "further batches that these specimens make; missing where specimens are counted", kind="number"
    ),
    "assurance": Column("chance of success asked for", kind="number"),
    "chance": Column("chance that the claim is backed", kind="number"),
    "chance_before": Column("the same with one specimen, batch or look fewer", kind="number"),
    "mc_error": Column("Monte-Carlo standard error of the chance", kind="number"),
    "ceiling": Column("highest attainable chance: what an endless series would reach", kind="number"),
    "assumptions": Column("what the answer rests on"),
    "changes": Column("what would change the answer, and by how much"),
    "groups": Column("names of the groups"),
    "allocation": Column("further specimens for each group"),
    "chance_even": Column("chance with the budget spread evenly", kind="number"),
    "chance_now": Column("chance without further specimens", kind="number"),
    "next": Column("further specimens for the group", kind="number"),
    "backed_now": Column("whether the specimens in hand back the claim", kind="flag"),
    "low_strength": Column("true low-percentile strength of the assumed population", "kN", "number"),
    "enough": Column("whether the chance reaches the assurance", kind="flag"),
    "cost": Column("cost in the unit of the costs given", kind="number"),
    "lowest_kN": Column("lowest load at which a specimen broke", "kN", "number"),
    "mean_kN": Column(
        "mean of the loads; with specimens that held, the mean of the normal distribution fitted to all", "kN", "number"
    ),
    "s_kN": Column(
        "standard deviation of the loads (n - 1); with specimens that held, that of the fitted normal distribution",
        "kN",
        "number",
    ),
    "cv": Column("coefficient of variation: standard deviation over mean", kind="number"),
    "cv_other": Column("coefficient of variation of the other arm", kind="number"),
    "strength": Column("strength claimed, which the lower bound is to reach", "kN", "number"),
    "mean_minus_3s_kN": Column("mean - 3 s: a habit, not a bound", "kN", "number"),
    "three_s_shows": Column("share of the population that mean - 3 s really bounds, at 95 % confidence"),
    "basis": Column("tolerance basis: the share that is stronger, and with which confidence"),
    "low_kN": Column("lower bound on the basis that judges the rating", "kN", "number"),
    "broke_below": Column("specimens that broke below the rating, of those tested"),
    "location": Column("location of the distribution of ln(load in kN)", kind="number"),
    "loglik": Column("log-likelihood at its maximum", kind="number"),
    "shape_known": Column("whether the shape was given, not fitted", kind="flag"),
    "left_out": Column("groups that could not take part"),
    "own": Column("the group's own lower bound, by its own scatter", "kN", "number"),
    "borrowed": Column("lower bound with scatter borrowed from its siblings", "kN", "number"),
    "refused": Column("groups for which pooling of the scatter was refused", kind="number"),
    "floor": Column(
        "own bound at the lower confidence that a bound with borrowed scatter never exceeds", "kN", "number"
    ),
    "floor_confidence": Column("that lower confidence, kept whatever the siblings are", kind="number"),
    "conflict_p": Column(
        "small where the group is more scattered than its siblings let expect; below 0.05 nothing is borrowed",
        kind="number",
    ),
    "pooling_refused": Column(
        "whether nothing was borrowed for that reason, so that the bound is the own one", kind="flag"
    ),
    "borrowed scatter": Column("what a bound with borrowed scatter rests on, or why there is none"),
    "borrowed scatter, conflict p": Column(
        "small where the group is more scattered than its siblings let expect", kind="number"
    ),
    "weibull": Column("lower bound by the Weibull distribution", "kN", "number"),
    "normal": Column("lower bound by the normal distribution", "kN", "number"),
    "lognormal": Column("lower bound by the lognormal distribution", "kN", "number"),
    "depends_on_distribution": Column("whether the answer depends on the distribution chosen", kind="flag"),
    "contradicted": Column("distributions that the breaks contradict"),
    "broke": Column("whether the specimen broke (false: it held at least the load)", kind="flag"),
    "used": Column("whether the row takes part", kind="flag"),
    "set_aside": Column("why the row takes no part; empty where it does"),
    "cell": Column("where it stands in the file: row and column"),
    "column": Column("column of the file"),
    "level": Column("error (the row or file cannot be used), warning or info"),
    "got": Column("what stands there"),
    "message": Column("what is wrong and what to do"),
}

_OF_A_BASIS = {
    "governed by": "what sets the bound on this basis: a distribution, the cautious bound, batches, slips",
    "these batches [kN]": "bound on this basis for specimens like these: the lowest of the single bounds",
    "next batch [kN]": "bound on this basis for a batch yet to come",
    "Weibull [kN]": "bound on this basis by the Weibull distribution alone",
    "normal [kN]": "bound on this basis by the normal distribution alone",
    "lognormal [kN]": "bound on this basis by the lognormal distribution alone",
    "cautious [kN]": "bound on this basis that assumes far less of the distribution",
    "borrowed scatter [kN]": "bound on this basis with scatter borrowed from sibling groups; it never governs",
    "estimate [kN]": "best estimate of the same percentile, with no margin: not a bound",
}


def meanings(columns: Iterable[str]) -> dict[str, str]:
    """One line on every column of a table with a row for each group; empty where the glossary does not know it."""
    names = list(columns)
    known = {}
    if "group" in names:
        known["method"] = BREAK_LOG["method"].meaning  # the way of loading, not the way of computing
    if "n_now" in names:
        known["unit"] = "what a plan counts: specimen or batch"
    return {name: known.get(name) or meaning(name) for name in names}


def meaning(column: str) -> str:
    """One line on a column, with its unit; empty where the glossary does not know it."""
    entry = RESULTS.get(column) or BREAK_LOG.get(column)
    if entry is not None:
        return f"{entry.meaning} [{entry.unit}]" if entry.unit else entry.meaning
    for tail, words in _OF_A_BASIS.items():
        if column.endswith(f", {tail}"):
            return words
    return "lower bound on this basis, the one that governs" if column.endswith(" [kN]") else ""


_UNITS = {
    "years": "year", "months": "month", "days": "day", "hours": "hour", "cycles": "cycle", "m": "m", "mm": "mm",
    "kg": "kg", "J": "J", "kN": "kN", "kN_per_s": "kN/s", "Hz": "Hz",
}  # fmt: skip


def spoken(column: str) -> tuple[str, str, str]:
    """Name of a column as one says it, its unit, and one of that unit; no unit where the column's name ends in none.

    Examples
    --------
    >>> spoken("age_years"), spoken("drop_height_m"), spoken("condition")
    (('age', 'years', 'year'), ('drop height', 'm', 'm'), ('condition', '', ''))
    """
    for tail, one in sorted(_UNITS.items(), key=lambda unit: -len(unit[0])):
        if column.endswith(f"_{tail}"):
            unit = one if "_" in tail else tail
            return column[: -len(tail) - 1].replace("_", " "), unit, one
    return column.replace("_", " "), "", ""


def titled(column: str) -> str:
    """Name of a column with its unit in brackets, for an axis.

    Examples
    --------
    >>> titled("age_years"), titled("condition")
    ('age [years]', 'condition')
    """
    name, unit, _ = spoken(column)
    return f"{name} [{unit}]" if unit else name


def setting(column: str, value: object) -> str:
    """A column at one value, as one says it.

    Examples
    --------
    >>> setting("age_years", "4"), setting("condition", "wet")
    ('age 4 years', 'condition = wet')
    """
    name, unit, _ = spoken(column)
    return f"{name} {value} {unit}" if unit else f"{name} = {value}"
