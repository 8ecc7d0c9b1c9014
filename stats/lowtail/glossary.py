"""Every column that goes in or comes out: what it means and in which unit.

`BREAK_LOG` are the columns of a break log (the door); `RESULTS` are the fields of records and tables (the answers).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BREAK_LOG", "RESULTS", "Column", "meaning"]


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
        "what ended the test; everything but 'broke' means that the specimen held at least `load`",
        required=True,
        allowed=("broke", "held", "other part broke", "slipped", "stopped", "invalid"),
    ),
    "failed_part": Column("which part of the rig or assembly broke or let go"),
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
    "note": Column("free text"),
    "excluded": Column("true where the row is to take no part, for the reason given", kind="flag"),
    "exclusion_reason": Column("why the row takes no part; required where `excluded` is true"),
}

RESULTS: dict[str, Column] = {
    "group": Column("grouping values joined by commas"),
    "family": Column("strength law: weibull, normal or lognormal"),
    "n": Column("specimens used", kind="number"),
    "n_broken": Column("specimens that broke", kind="number"),
    "fraction_below": Column("fraction of the population weaker than the strength stated", kind="number"),
    "confidence": Column("one-sided confidence of the bound", kind="number"),
    "estimate": Column("best single value of the low strength, without margin", "kN", "number"),
    "low": Column("lower confidence bound of the low strength", "kN", "number"),
    "notes": Column("what the reader must know beside the number"),
    "source": Column("file the log was read from"),
    "n_rows": Column("specimen rows read", kind="number"),
    "n_used": Column("specimens that take part", kind="number"),
    "n_set_aside": Column("specimens set aside, each for a stated reason", kind="number"),
    "n_held": Column("specimens used that held", kind="number"),
    "n_slipped": Column("specimens used that slipped; part of those that held", kind="number"),
    "n_warnings": Column("warnings of the reader", kind="number"),
    "slipped": Column("specimens that slipped", kind="number"),
    "share": Column("share of the specimens used", kind="number"),
    "share_low": Column("lower end of the exact two-sided interval of the share", kind="number"),
    "share_high": Column("upper end of the exact two-sided interval of the share", kind="number"),
    "n_batches": Column("batches", kind="number"),
    "sizes": Column("specimens of each batch"),
    "handbook_low": Column("analysis-of-variance bound of the handbooks, for comparison only", "kN", "number"),
    "handbook_coverage": Column(
        "how often the handbook bound really holds at these batch sizes, at its worst", kind="number"
    ),
    "spread_between": Column("standard deviation between batches, of ln load or (normal law) in kN", kind="number"),
    "spread_within": Column(
        "standard deviation within batches (Weibull: 1 / shape), of ln load or (normal law) in kN", kind="number"
    ),
    "per_batch": Column("specimens a batch", kind="number"),
    "shortfall": Column("how many total spreads the bound typically lies below the true strength", kind="number"),
    "digits": Column("digits in which other libraries agree with the fit", kind="number"),
    "largest_difference": Column("largest relative difference of another library's fit", kind="number"),
    "agrees": Column("true where other libraries agree with the fit to 0.001", kind="flag"),
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
    "verdict": Column("verdict on the margin: shown, not shown, shown worse; without one the difference"),
    "equivalence": Column("whether the two are shown to be the same within the margin"),
    "low_fraction": Column("fraction below of the low strengths compared", kind="number"),
    "low_family": Column("strength law behind the low strengths compared"),
    "low_ratio": Column("ratio of low strengths, other over reference", kind="number"),
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
}


def meaning(column: str) -> str:
    """One line on a column, with its unit; empty where the glossary does not know it."""
    entry = RESULTS.get(column) or BREAK_LOG.get(column)
    if entry is None:
        return ""
    return f"{entry.meaning} [{entry.unit}]" if entry.unit else entry.meaning
