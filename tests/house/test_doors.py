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
KINDS_MADE = ("Basis", "plan.Claim", "trace.LoadCell", "Sample", "ScalePrior")
PUBLIC = {n: getattr(lt, n) for n in lt._HOME} | {
    f"{space}.{n}": getattr(getattr(lt, space), n) for space in lt._NAMESPACES for n in getattr(lt, space).__all__
}
NAMES = [n for n, thing in sorted(PUBLIC.items()) if inspect.isfunction(thing) or n in KINDS_MADE]
SLOW = ("compare_table", "many.strength_table", "write_report")  # what passes their door is not tried here


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
        "plan.Claim": {"strength": 18.0},
        "trace.LoadCell": {"capacity_kN": 50.0, "error_limit": 0.01},
        "Sample": {"load": [21.0, 22.0]},
        "ScalePrior": {"shape": 9.0, "width": 0.2},
        "accept_batch": {"qualified": FIVE, "new": FOUR},
        "prediction": one,
        "checks.goodness_of_fit": one | {"size": 400},
        "trace.append_to_log": {"rows": lt.trace.trace_rows([file]), "log_path": folder / "log.csv"},
        "batch_bound": {"sample_or_samples": FIVE, "fraction_below": 0.1, "confidence": 0.95, "family": "normal"},
        "checks.can_answer": {"log": LOG},
        "check_breaks": {"frame": TABLE},
        "trace.check_trace": {"force_kN": 10 * np.sin(np.linspace(0, 3, 200)), "rate_hz": 1000.0},
        "parts.common_cause": {"answer": link, "size": 10_000},
        "compare": arms,
        "compare_levels": both,
        "compare_table": {"log": LOG, "by": "item"},
        "confidence_distribution": one,
        "many.confidence_that": many | {"strength": 15.0},
        "confidence_that": one | {"load": 15.0, "fraction_below": 0.1},
        "drops.drop_response": {"log": DROPS, "draws": 199},
        "checks.equal_scale": both | {"size": 400},
        "fit": one,
        "many.fit": {"load": many["load"]},
        "checks.fit_threshold": {"sample": lt.Sample(np.linspace(20, 30, 25) ** 1.2)},
        "drops.drop_proportion": {"n": 5},
        "parts.fuse_window": {"specimens": FIVE, "cell_limit": 40.0, "fuse_cv": 0.02, "size": 1000},
        "first_lines": {"log": LOG, "claim": 15.0},
        "governing": one | {"basis": "B-basis"},
        "what_it_answers": {"log": LOG},
        "judge": one | {"rating": 15.0},
        "checks.influence": one,
        "plan.look_confidence": {"family": "normal", "basis": "B-basis", "n_now": 5, "every": 2, "looks": 2},
        "lower_bound": one | {"basis": "B-basis"},
        "many.lower_bound": many | {"confidence": 0.95},
        "checks.failure_modes": {"tests": FIVE, "size": 400},
        "plan.more_comparison": arms | {"max_n": 4},
        "plan.more_samples": one | {"claim": 18.0, "max_n": 4},
        "drops.next_drop": {"drops": DROPS},
        "plan.next_specimens": both | {"claims": 18.0, "budget": 1},
        "checks.outliers": one | {"size": 400},
        "trace.peak_load": {"trace": trace},
        "plan.batches": world | {"claim": 15.0, "batches": 3, "between": 0.02, "max_n": 3},
        "plan.new_series": world | {"claim": 18.0},
        "plan.comparison": {"ratio": 0.9, "cv": 0.03, "max_n": 20},
        "plan.looks": one | {"claim": 18.0, "every": 2, "max_looks": 2},
        "plan.precision": {"within": 0.2, "cv": 0.05, "max_n": 10},
        "plan.grid": {"claim": 18.0, "mean": 23.0, "cv": 0.05, "n": (3, 5)},
        "plan.zero_failure": {"reliability": 0.9},
        "plot.batches": one,
        "plot.breaks": {"log_or_samples": [FIVE]},
        "plot.comparison": {"comparison_or_table": lt.compare(FIVE, FOUR)},
        "plot.facets": {"log_or_samples": LOG},
        "plot.lower_bounds": {"table": strengths},
        "plot.plan": {"plan": lt.plan.new_series(18.0, "B-basis", **world)},
        "plot.probability": {"fit_or_sample": FIVE},
        "plot.retention": {"answer": lt.trend.retention(LOG, by="item", power=False, size=400)},
        "plot.summary": {"log": LOG},
        "plot.trace": {"trace": trace},
        "plot.weak_link": {"answer": link},
        "checks.plotting_positions": {"load": [21.0, 22.0]},
        "checks.pooling": both | {"size": 400, "power": False},
        "trend.rate_effect": {"log": LOG, "by": "item"},
        "rating_check": {"log": LOG},
        "read_breaks": {"path": DATA / "park_breaks.csv"},
        "trace.read_trace": {"path": file},
        "report_table": {"table": strengths},
        "trend.retention": {"log": LOG, "by": "item", "power": False, "size": 400},
        "trend.retention_table": {"log": LOG, "by": "item"},
        "plot.save": {"figure": plt.figure(figsize=(1, 1)), "path": folder / "figure.png"},
        "checks.second_opinion": one,
        "checks.sensitivity": one,
        "checks.shared_gain": both,
        "checks.slip_table": {"log_or_table": LOG},
        "scale_prior": {"samples": [FIVE, FOUR, FIVE]},
        "checks.kaplan_meier": {"load": [21.0, 22.0]},
        "strength_table": {"log": LOG},
        "many.strength_table": {"paths": [DATA / "park_breaks.csv"]},
        "checks.unseen_minority": one | {"basis": "B-basis"},
        "trace.trace_rows": {"paths": [file]},
        "two_sample_test": arms | {"test": "Mann-Whitney"},
        "trace.under_read_crest": {"rate_hz": 1000.0, "width_ms": 5.0},
        "trace.under_read_flank": {"rate_hz": 1000.0, "width_ms": 5.0, "share": 0.8},
        "drops.up_and_down": {"severity": [1.0, 2, 3, 2, 3, 4, 3], "broke": [0, 0, 1, 0, 0, 1, 1]},
        "parts.weak_link": {"tests": parts, "size": 1000},
        "write_report": {"log": LOG, "path": folder / "page.html"},
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("doors")


@pytest.mark.parametrize("name", NAMES)
def test_every_wrong_kind_in_every_argument_is_met_by_words(name, folder, monkeypatch):
    """What the signature rules out is refused by name; whatever else passes the door raises no raw error inside."""
    monkeypatch.chdir(folder)
    thing, good = PUBLIC[name], valid(folder)[name]
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


def in_steps(value, *, known):
    """The samples and the log of `valid` as a step-loading test records them, or their lower ends as loads."""
    if isinstance(value, lt.Sample):
        low = np.floor(value.lower)
        more = {"label": value.label, "batch": value.batch}
        return lt.Sample(low, value.broke, upper=None if known else np.where(value.broke, low + 1, np.nan), **more)
    if value is LOG:
        broke = TABLE["outcome"] == "broke"
        low = np.floor(TABLE["load [kN]"])
        if known:
            return lt.check_breaks(TABLE.assign(**{"load [kN]": low}))
        steps = {"load_from [kN]": low.where(broke), "load_to [kN]": (low + 1).where(broke)}
        return lt.check_breaks(TABLE.assign(**{"load [kN]": low.where(~broke)}, **steps))
    if isinstance(value, dict):
        return {key: in_steps(one, known=known) for key, one in value.items()}
    return [in_steps(one, known=known) for one in value] if isinstance(value, list) else value


def told(thing):
    """Everything that an answer states, as text."""
    if isinstance(thing, pd.DataFrame):
        return thing.to_string()
    if isinstance(thing, (list, tuple)):
        return " ".join(map(told, thing))
    if isinstance(thing, plt.Axes):
        return " ".join(f"{line.get_gid()} {line.get_xydata().tolist()}" for line in thing.lines)
    if callable(getattr(thing, "low", None)):
        return str(thing.low(0.10, 0.95))
    return f"{thing} {getattr(thing, 'notes', '')}"


COUNTS_ONLY = ("checks.can_answer", "checks.slip_table")  # they state how many broke or slipped, and no load


@pytest.mark.parametrize("name", [n for n in NAMES if n not in (*KINDS_MADE, *SLOW)])
def test_the_lower_end_of_a_step_is_never_a_load_unseen(name, folder, monkeypatch):
    """Breaks between two loads are refused by words, or the answer is another than that of the lower ends."""
    monkeypatch.chdir(folder)
    thing, good = PUBLIC[name], valid(folder)[name]
    steps = {key: in_steps(value, known=False) for key, value in good.items()}
    if not any(steps[key] is not value and told(steps[key]) != told(value) for key, value in good.items()):
        pytest.skip("takes no sample and no log")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            answer = told(thing(**steps))
            ends = told(thing(**{key: in_steps(value, known=True) for key, value in good.items()}))
    except LowtailError as refusal:
        assert "between two loads" in str(refusal) or "steps wider" in str(refusal), refusal
        return
    finally:
        plt.close("all")
    assert (answer == ends) == (name in COUNTS_ONLY)


def test_the_words_name_the_function_the_argument_what_it_got_and_what_to_do():
    with pytest.raises(InputError) as caught:
        lt.lower_bound([[21.0, 23.5], [22.2]], "B-basis")
    said = str(caught.value)
    assert said == (
        "lower_bound: `sample` must be one Sample, or an array of loads in kN, got a list of 2. Make one with "
        "lt.Sample(load, broke), or take one from log.samples."
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
        (lambda: lt.strength_table(LOG, by=set()), "`by` must be a list of words or a word, got a set."),
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
