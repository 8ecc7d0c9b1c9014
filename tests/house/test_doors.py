"""What stands at the door of a public function when something of the wrong kind is put in: words, never a traceback."""

import datetime
import inspect
import sys
import warnings
from functools import cache
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail import InputError, LowtailError
from lowtail._shared.checks import door, kind_of

DATA = Path(__file__).parents[2] / "data"
FIVE = lt.Sample([21.0, 23.5, 22.2, 24.1, 22.9], label="five", batch=list("ppqqr"))
FOUR = lt.Sample([19.0, 20.5, 21.2, 18.1], label="four")
TABLE = pd.DataFrame(
    {
        "specimen": list("ABCDEFGH"),
        "item": "sling",
        "method": ["slow pull"] * 4 + ["shock"] * 4,
        "load [kN]": [21.0, 23.5, 22.2, 24.1, 19.0, 20.5, 21.2, 18.1],
        "outcome": ["broke"] * 7 + ["held"],
        "failure_site": ["stitching", "webbing"] * 4,
        "age [years]": [1, 1, 2, 4, 4, 7, 7, 9],
        "rated [kN]": 15,
        "rate [kN/s]": [1, 1, 2, 4, 400, 700, 700, 900],
    }
)
LOG = lt.check_breaks(TABLE)
DROPS = pd.DataFrame(
    {
        "specimen": list("ABCDEFGH"),
        "item": "cord",
        "orientation": "",
        "drop_height_m": [1.0, 1.2, 1.5, 1.8, 2.0, 2.2, 2.5, 3.0],
        "broke": [False, False, True, False, True, False, True, True],
        "load_kN": 5.0,
        "used": True,
    }
)
WRONG = [
    None,
    True,
    -1,
    0,
    2.5,
    float("nan"),
    "x",
    "",
    "95%",
    b"x",
    [],
    [1.0, "x"],
    [[1.0, 2.0], [3.0]],
    [None],
    {},
    {"a": 1},
    {1: "a"},
    np.array(["x", None], dtype=object),
    np.array([]),
    np.array([[1.0, 2.0]]),
    np.array(3.0),
    pd.DataFrame(),
    pd.DataFrame({"a": [1]}),
    pd.Series(["x"]),
    object(),
    set(),
    datetime.date(2024, 1, 1),
    FOUR,
    [FOUR],
    LOG,
    len,
    1 + 2j,
]
KINDS_MADE = ("Basis", "Claim", "LoadCell", "Sample", "ScalePrior")
NAMES = [n for n in sorted(lt._HOME) if inspect.isfunction(getattr(lt, n)) or n in KINDS_MADE]
SLOW = ("compare_table", "strength_table_large", "write_report")  # what passes their door is not tried here


@cache
def valid(folder):
    """Arguments with which each public function answers quickly."""
    one, both, arms = {"sample": FIVE}, {"samples": [FIVE, FOUR]}, {"reference": FIVE, "other": FOUR}
    many = {"load": [[21.0, 23.5, 22.2]], "broke": None, "family": "weibull", "fraction_below": 0.1}
    world, parts = {"mean": 23.0, "cv": 0.05, "max_n": 6}, {"eye": FIVE, "rope": FOUR}
    trace, file = lt.trace.read_trace(DATA / "traces" / "drop_clean_D07.csv"), DATA / "traces" / "drop_clean_D07.csv"
    link, strengths = lt.parts.weak_link(parts, size=1000), lt.strength_table(LOG)
    return {
        "Basis": {"name": "mine", "fraction_below": 0.1, "confidence": 0.9},
        "Claim": {"strength": 18.0},
        "LoadCell": {"capacity_kN": 50.0, "error_limit": 0.01},
        "Sample": {"load": [21.0, 22.0]},
        "ScalePrior": {"shape": 9.0, "width": 0.2},
        "goodness_of_fit": one | {"size": 400},
        "append_to_log": {"rows": lt.trace.trace_rows([file]), "log_path": folder / "log.csv"},
        "batch_bound": {"sample_or_samples": FIVE, "fraction_below": 0.1, "confidence": 0.95, "family": "normal"},
        "can_answer": {"log": LOG},
        "check_breaks": {"frame": TABLE},
        "check_trace": {"force_kN": 10 * np.sin(np.linspace(0, 3, 200)), "rate_hz": 1000.0},
        "common_cause": {"answer": link, "size": 10_000},
        "compare": arms,
        "compare_levels": both,
        "compare_table": {"log": LOG, "by": "item"},
        "confidence_distribution": one,
        "confidence_many": many | {"strength": 15.0},
        "confidence_that": one | {"load": 15.0, "fraction_below": 0.1},
        "drop_response": {"log": DROPS, "draws": 199},
        "equal_scale": both | {"size": 400},
        "fit": one,
        "fit_many": {"load": many["load"]},
        "fit_threshold": {"sample": lt.Sample(np.linspace(20, 30, 25) ** 1.2)},
        "drop_proportion": {"n": 5},
        "fuse_window": {"specimens": FIVE, "cell_limit": 40.0, "fuse_cv": 0.02, "size": 1000},
        "first_lines": {"log": LOG, "claim": 15.0},
        "governing": one | {"basis": "B-basis"},
        "what_it_answers": {"log": LOG},
        "judge": one | {"rating": 15.0},
        "influence": one,
        "look_confidence": {"family": "normal", "basis": "B-basis", "n_now": 5, "every": 2, "looks": 2},
        "lower_bound": one | {"basis": "B-basis"},
        "low_many": many | {"confidence": 0.95},
        "modes": {"tests": FIVE, "size": 400},
        "more_comparison": arms | {"max_n": 4},
        "more_samples": one | {"claim": 18.0, "max_n": 4},
        "next_drop": {"drops": DROPS},
        "next_specimens": both | {"claims": 18.0, "budget": 1},
        "outliers": one | {"size": 400},
        "peak_load": {"trace": trace},
        "plan_batches": world | {"claim": 15.0, "batches": 3, "between": 0.02, "max_n": 3},
        "plan_bound": world | {"claim": 18.0},
        "plan_comparison": {"ratio": 0.9, "cv": 0.03, "max_n": 20},
        "plan_looks": one | {"claim": 18.0, "every": 2, "max_looks": 2},
        "plan_precision": {"within": 0.2, "cv": 0.05, "max_n": 10},
        "plan_table": both | {"claims": 18.0, "max_n": 3},
        "plan_zero_failure": {"reliability": 0.9},
        "plot_batches": one,
        "plot_breaks": {"log_or_samples": [FIVE]},
        "plot_comparison": {"comparison_or_table": lt.compare(FIVE, FOUR)},
        "plot_lower_bounds": {"table": strengths},
        "plot_plan": {"plan": lt.plan.new_series(18.0, "B-basis", **world)},
        "plot_probability": {"fit_or_sample": FIVE},
        "plot_retention": {"answer": lt.trend.retention(LOG, by="item", power=False, size=400)},
        "plot_summary": {"log": LOG},
        "plot_trace": {"trace": trace},
        "plot_weak_link": {"answer": link},
        "plotting_positions": {"load": [21.0, 22.0]},
        "pooling": both | {"size": 400, "power": False},
        "power_grid": {"n_reference": [3], "n_other": [3], "ratio": [0.9], "cv": [0.05], "size": 100},
        "rate_effect": {"log": LOG, "by": "item"},
        "rating_check": {"log": LOG},
        "read_breaks": {"path": DATA / "park_breaks.csv"},
        "read_trace": {"path": file},
        "report_table": {"table": strengths},
        "retention": {"log": LOG, "by": "item", "power": False, "size": 400},
        "retention_table": {"log": LOG, "by": "item"},
        "save_figure": {"figure": plt.figure(figsize=(1, 1)), "path": folder / "figure.png"},
        "second_opinion": one,
        "sensitivity": one,
        "shared_gain": both,
        "slip_table": {"log_or_table": LOG},
        "split": {"log_or_table": LOG},
        "scale_prior": {"samples": [FIVE, FOUR, FIVE]},
        "kaplan_meier": {"load": [21.0, 22.0]},
        "strength_table": {"log": LOG},
        "strength_table_large": {"paths": [DATA / "park_breaks.csv"]},
        "unseen_minority": one | {"basis": "B-basis"},
        "trace_rows": {"paths": [file]},
        "two_sample_test": arms | {"test": "Mann-Whitney"},
        "under_read_crest": {"rate_hz": 1000.0, "width_ms": 5.0},
        "under_read_flank": {"rate_hz": 1000.0, "width_ms": 5.0, "share": 0.8},
        "up_and_down": {"severity": [1.0, 2, 3, 2, 3, 4, 3], "broke": [0, 0, 1, 0, 0, 1, 1]},
        "weak_link": {"tests": parts, "size": 1000},
        "what_if": {"claim": 18.0, "mean": 23.0, "cv": 0.05, "n": (3, 5)},
        "write_report": {"log": LOG, "path": folder / "page.html"},
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("doors")


@pytest.mark.parametrize("name", NAMES)
def test_every_wrong_kind_in_every_argument_is_met_by_words(name, folder, monkeypatch):
    """What the signature rules out is refused by name; whatever else passes the door raises no raw error inside."""
    monkeypatch.chdir(folder)
    thing, good = getattr(lt, name), valid(folder)[name]
    if name not in SLOW:
        thing(**good)
        (folder / "log.csv").unlink(missing_ok=True)
    for parameter in inspect.signature(thing).parameters.values():
        if parameter.kind is parameter.VAR_KEYWORD:
            continue
        kind = kind_of(parameter.annotation, vars(sys.modules[thing.__module__]))
        for value in WRONG:
            if kind.good(value):
                if name in SLOW or (parameter.name == "n_jobs" and value == -1):  # -1 is every core
                    continue
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    try:
                        thing(**{**good, parameter.name: value})
                    except LowtailError:
                        pass
                    finally:
                        plt.close("all")
            else:
                with pytest.raises(InputError) as caught:
                    thing(**{**good, parameter.name: value})
                assert str(caught.value).startswith(f"{name}: `{parameter.name}` must be {kind.one}, got ")


def test_the_words_name_the_function_the_argument_what_it_got_and_what_to_do():
    with pytest.raises(InputError) as caught:
        lt.lower_bound([21.0, 23.5, 22.2], "B-basis")
    said = str(caught.value)
    assert said == (
        "lower_bound: `sample` must be one Sample, got a list of 3. Make one with lt.Sample(load, broke), or take one "
        "from log.samples."
    )
    with pytest.raises(InputError, match=r"strength_table: `log` must be a BreakLog .* got a Sample\. Read one with"):
        lt.strength_table(FIVE)
    with pytest.raises(InputError, match=r"pooling: `samples` must be one Sample or a list of Samples, got a BreakLog"):
        lt.checks.pooling(LOG)
    for call, words in (
        (lambda: lt.compare(FIVE, FOUR, confidence="95%"), "`confidence` must be a number, got '95%'. See help(lt.com"),
        (lambda: lt.checks.shared_gain([FIVE, 3]), "`samples` must be a list of Samples, got 3 at position 1."),
        (lambda: lt.parts.weak_link({"eye": 3}), "got 3 for 'eye'."),
        (lambda: lt.fit(FIVE, 3), "`family` must be the name of a family or a Family, got 3. The families: 'weibull'"),
        (lambda: lt.split(LOG, by=set()), "`by` must be a list of words or a word, got a set."),
    ):
        with pytest.raises(InputError) as caught:
            call()
        assert words in str(caught.value)


def test_a_function_at_the_door_keeps_its_name_its_words_and_its_signature():
    @door
    def mine(sample: "Sample", share: "float" = 0.5):  # noqa: F821
        """Say so."""
        return share

    assert (mine.__name__, mine.__doc__, list(inspect.signature(mine).parameters)) == (
        "mine",
        "Say so.",
        ["sample", "share"],
    )
    assert mine(FIVE) == 0.5 and mine(sample=FIVE, share=np.float64(0.2)) == 0.2
    for bad in ("x", True, None):
        with pytest.raises(InputError, match="mine: `share` must be a number"):
            mine(FIVE, share=bad)


def test_a_generator_is_not_used_up_by_looking_at_it():
    names = ("A-basis", "B-basis")
    pd.testing.assert_frame_equal(lt.strength_table(LOG, bases=(b for b in names)), lt.strength_table(LOG, bases=names))


def test_an_annotation_without_a_kind_is_found_when_the_door_is_hung():
    with pytest.raises(KeyError, match="Sling"):

        @door
        def mine(part: "Sling"):  # noqa: F821
            return part
