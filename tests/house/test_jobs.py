"""A newcomer's list of jobs: each takes at most three lines from ``import lowtail as lt``.

Each snippet runs as it stands, with the paths of the fixture at hand, and leaves ``answer``. What is asserted of it
holds by definition of what was asked for.
"""

from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest
from scipy import stats

import lowtail as lt

LOADS = [24.1, 25.3, 22.8, 26.0, 23.9, 24.7]
SLING = "sewn sling, straight, slow pull"
STRONG = [[24.1, 25.3, 22.8], [48.2, 50.6, 45.6]]  # the second row is twice the first


def lines_of(snippet):
    return [line for line in snippet.strip().splitlines() if line.strip()]


def words(answer):
    return str(answer).strip() != ""


JOBS = {
    "read a log": (
        """log = lt.read_breaks(path)
answer = log.table""",
        lambda a, at: len(a) == len(at["rows"]) and a["used"].sum() == at["log"].n_used,
    ),
    "list its groups": (
        """log = lt.read_breaks(path)
answer = list(log.samples)""",
        lambda a, at: len(a) == len(set(a)) and SLING in a and sum(log_n(at, g) for g in a) == at["log"].n_used,
    ),
    "lower bound of a group": (
        """log = lt.read_breaks(path)
answer = lt.lower_bound(log["sewn sling, straight, slow pull"], "B-basis")""",
        lambda a, at: 0 < a.low < a.estimate and words(a) and a.n == log_n(at, SLING),
    ),
    "lower bound from a list of loads": (
        """answer = lt.lower_bound([24.1, 25.3, 22.8, 26.0, 23.9, 24.7], "B-basis", family="normal")""",
        lambda a, at: a.low == pytest.approx(normal_bound(LOADS, 0.10, 0.95), rel=1e-6),
    ),
    "the bound that governs": (
        """answer = lt.governing([24.1, 25.3, 22.8, 26.0, 23.9, 24.7])""",
        lambda a, at: a.low <= min(lt.lower_bound(LOADS, family=f).low for f in ("weibull", "normal")),
    ),
    "table of all groups": (
        """log = lt.read_breaks(path)
answer = lt.strength_table(log)""",
        lambda a, at: len(a) == len(at["log"].samples) and not (a["A-basis [kN]"] > a["B-basis [kN]"]).any(),
    ),
    "ratings against the data": (
        """log = lt.read_breaks(path)
answer = lt.rating_check(log)""",
        lambda a, at: (
            all(a["low_kN"][a["verdict"] == "backed"] >= a["rated_kN"][a["verdict"] == "backed"]) and len(a) > 1
        ),
    ),
    "judge one claim": (
        """answer = lt.judge([24.1, 25.3, 22.8, 26.0, 23.9, 24.7], 25.0)""",
        lambda a, at: "broke" in str(a) and min(LOADS) < 25.0,
    ),
    "confidence already demonstrated": (
        """answer = lt.confidence_that([24.1, 25.3, 22.8, 26.0, 23.9, 24.7], 20.0, 0.10)""",
        lambda a, at: bound_at(a.confidence) == pytest.approx(20.0, rel=1e-3),
    ),
    "compare shock and slow pull": (
        """log = lt.read_breaks(path)
answer = lt.compare(log["sewn sling, straight, slow pull"], log["sewn sling, straight, shock"], margin=0.9)""",
        lambda a, at: a.ratio_low < a.ratio < a.ratio_high and a.ratio == pytest.approx(geometric_ratio(at), rel=1e-9),
    ),
    "compare over all configurations": (
        """log = lt.read_breaks(path)
answer = lt.compare_table(log, "method", "slow pull", "shock")""",
        lambda a, at: (a["p_holm"].dropna() >= a["p_value"].dropna()).all() and a["group"].is_unique,
    ),
    "what the next specimen holds": (
        """answer = lt.prediction([24.1, 25.3, 22.8, 26.0, 23.9, 24.7], family="normal")""",
        lambda a, at: (
            a.low == pytest.approx(np.mean(LOADS) - stats.t.ppf(0.95, 5) * np.std(LOADS, ddof=1) * np.sqrt(1 + 1 / 6))
        ),
    ),
    "is a new lot accepted": (
        """answer = lt.accept_batch([24.1, 25.3, 22.8, 26.0, 23.9, 24.7], [24.0, 22.9, 25.1])""",
        lambda a, at: a.verdict == "accepted" and a.lowest_load >= a.lowest_limit and a.mean_load >= a.mean_limit,
    ),
    "how many specimens for a claim": (
        """answer = lt.plan.new_series(20, "B-basis", mean=25, cv=0.05, family="normal", judge="one distribution")""",
        lambda a, at: a.chance >= 0.8 and normal_chance(a.n - 1) < 0.8 <= normal_chance(a.n),
    ),
    "how many more": (
        """answer = lt.plan.more_samples([24.1, 25.3, 22.8, 26.0, 23.9], 19.5, judge="one distribution")""",
        lambda a, at: a.n > 0 and first_at_80(a.curve) == a.n,
    ),
    "which to break next": (
        """log = lt.read_breaks(path)
slings = log.samples.where(item="sewn sling", method="shock")
answer = lt.plan.next_specimens(slings, 12, budget=4, judge="one distribution")""",
        lambda a, at: sum(a.allocation) <= 4 and a.chance >= a.chance_even - 3 * a.mc_error,
    ),
    "zero-failure plan": (
        """answer = lt.plan.zero_failure(reliability=0.90, confidence=0.95)""",
        lambda a, at: 1 - 0.90**a.n >= 0.95 > 1 - 0.90 ** (a.n - 1),
    ),
    "specimens for a comparison": (
        """answer = lt.plan.comparison(0.9, 0.03)""",
        lambda a, at: a.chance >= 0.8 and a.n == a.arms[0] >= 2,
    ),
    "probability figure": (
        """log = lt.read_breaks(path)
answer = lt.plot.probability(log["sewn sling, straight, slow pull"])""",
        lambda a, at: np.isin(at["log"][SLING].load, points_of(a)).all(),
    ),
    "figure of the breaks": (
        """log = lt.read_breaks(path)
answer = lt.plot.breaks(log)""",
        lambda a, at: "kN" in a.get_xlabel() and np.isin(at["log"][SLING].load, points_of(a)).all(),
    ),
    "save a figure": (
        """log = lt.read_breaks(path)
answer = lt.plot.save(lt.plot.breaks(log), folder / "breaks.svg")""",
        lambda a, at: "<svg" in a.read_text(encoding="utf-8"),
    ),
    "the page": (
        """log = lt.read_breaks(path)
answer = lt.write_report(log, folder / "page.html", only=["sewn sling, choked"], checks=False, short=True)""",
        lambda a, at: "sewn sling, choked" in (at["folder"] / "page.html").read_text(encoding="utf-8"),
    ),
    "outliers": (
        """answer = lt.checks.outliers([24.1, 25.3, 24.8, 26.0, 24.4, 12.0])""",
        lambda a, at: "possible outlier" in str(a) and a.n == 6,
    ),
    "goodness of fit": (
        """answer = lt.checks.goodness_of_fit([24.1, 25.3, 22.8, 26.0, 23.9, 24.7], size=400)""",
        lambda a, at: 0 <= a.p_value <= 1 and words(a),
    ),
    "failure modes": (
        """log = lt.read_breaks(path)
answer = lt.checks.failure_modes(log, group="sewn sling, straight, slow pull", size=400)""",
        lambda a, at: words(a) and SLING in str(a),
    ),
    "bound over batches": (
        """log = lt.read_breaks(path)
answer = lt.batch_bound(log["sewn sling, straight, slow pull"], 0.10, 0.95)""",
        lambda a, at: 0 <= a.low < min(at["log"][SLING].load),
    ),
    "strength against age": (
        """log = lt.read_breaks(path)
answer = lt.trend.retention(log, "age_years", group="sewn sling, straight, slow pull", power=False)""",
        lambda a, at: 0 < a.low < a.estimate and f"{max(ages(at)):g}" in a.at_value,
    ),
    "peak of a trace": (
        """trace = lt.trace.read_trace(traces / "drop_clean_D07.csv")
answer = lt.trace.peak_load(trace)""",
        lambda a, at: a.peak_kN == pytest.approx(at["trace"].force_kN.max()),
    ),
    "many samples at once": (
        """answer = lt.many.lower_bound([[24.1, 25.3, 22.8], [48.2, 50.6, 45.6]], None, "weibull", 0.10, 0.95)""",
        lambda a, at: a[1] == pytest.approx(2 * a[0], rel=1e-9) and 0 < a[0] < min(STRONG[0]),
    ),
    "what this log can answer": (
        """log = lt.read_breaks(path)
answer = lt.what_it_answers(log)""",
        lambda a, at: len(a.questions) > 3 and words(a),
    ),
}


def bound_at(confidence):
    return lt.lower_bound(LOADS, fraction_below=0.10, confidence=confidence).low


def points_of(axes):
    """What stands along the x axis: lines and markers."""
    lines = [np.asarray(line.get_xdata(), dtype=float) for line in axes.lines]
    return np.concatenate([*lines, *(np.asarray(c.get_offsets(), dtype=float)[:, 0] for c in axes.collections)])


def first_at_80(curve):
    return curve["n"][curve["chance"] >= 0.8].iloc[0]


def ages(at):
    table = at["log"].table
    return table["age_years"][table["used"] & (table["item"] == "sewn sling") & (table["orientation"] == "straight")]


def log_n(at, group):
    return at["log"][group].n


def geometric_ratio(at):
    slow, shock = (np.log(at["log"][f"sewn sling, straight, {m}"].load).mean() for m in ("slow pull", "shock"))
    return float(np.exp(shock - slow))


def normal_bound(loads, fraction_below, confidence):
    """Mean less k standard deviations, k by the noncentral t (Owen 1963)."""
    n, z = len(loads), stats.norm.isf(fraction_below)
    k = stats.nct.ppf(confidence, n - 1, z * np.sqrt(n)) / np.sqrt(n)
    return float(np.mean(loads) - k * np.std(loads, ddof=1))


def normal_chance(n):
    """P(mean - k s >= 20) for a normal strength of mean 25 and CV 5 %, by the noncentral t (definition of the plan)."""
    k = stats.nct.ppf(0.95, n - 1, stats.norm.isf(0.10) * np.sqrt(n)) / np.sqrt(n)
    return float(stats.nct.sf(k * np.sqrt(n), n - 1, (25 - 20) / (0.05 * 25) * np.sqrt(n)))


@pytest.fixture
def at(tmp_path, park):
    lines = (park / "park_breaks.csv").read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if line and not line.startswith('"')][1:]
    yield {
        "lt": lt,
        "path": park / "park_breaks.csv",
        "traces": park / "traces",
        "folder": tmp_path,
        "rows": rows,
        "log": lt.read_breaks(park / "park_breaks.csv"),
    }
    plt.close("all")


@pytest.fixture(scope="module")
def park():
    return Path(__file__).parents[2] / "data"


@pytest.mark.parametrize("job", JOBS)
def test_a_newcomer_does_each_job(job, at):
    snippet, holds = JOBS[job]
    exec(compile(snippet, job, "exec"), at)
    assert holds(at["answer"], at)


def test_there_are_at_least_25_jobs_of_at_most_three_lines():
    assert len(JOBS) >= 25
    assert {job: len(lines_of(s)) for job, (s, _) in JOBS.items() if not 1 <= len(lines_of(s)) <= 3} == {}
    assert all(len(line) <= 120 and ";" not in line for s, _ in JOBS.values() for line in lines_of(s))
