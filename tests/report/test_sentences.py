"""Every sentence a reader may quote stands in a file, so that a change of wording is a visible difference.

``python tests/report/test_sentences.py`` writes the file anew; read the difference before committing it.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

import lowtail as lt

HERE = Path(__file__).parent
FILE = HERE / "expected" / "sentences.txt"
DATA = HERE.parents[1] / "data"

SLOW = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="sewn sling, slow pull")
SHOCK = lt.Sample([21.0, 22.4, 20.1, 23.0, 22.2], [1, 1, 1, 0, 1], label="sewn sling, shock")
CORD = lt.Sample([6.1, 5.8, 6.6, 5.2], label="cord")
BATCHES = lt.Sample(
    [24.1, 25.0, 24.6, 26.2, 27.1, 26.4, 23.5, 24.4, 23.9], batch=list("PPPQQQRRR"), label="sewn sling, three batches"
)


def sentences():
    """Name and sentence of every kind of answer, on small invented samples."""
    log = lt.read_breaks(DATA / "park_breaks.csv")
    for family in ("weibull", "normal", "lognormal"):
        yield f"fit, {family}", lt.fit(SLOW, family)
        yield f"lower bound, {family}", lt.lower_bound(SLOW, "B-basis", family=family)
    yield "lower bound with a survivor", lt.lower_bound(SHOCK, "A-basis")
    yield "lower bound, known shape", lt.lower_bound(SHOCK, "A-basis", shape=12)
    kin = [SLOW, SHOCK, CORD]
    yield "lower bound, borrowed scatter", lt.lower_bound(SLOW, "A-basis", siblings=kin)
    yield (
        "lower bound, pooling refused",
        lt.lower_bound(lt.Sample([17.0, 24.0, 31.0], label="wild"), siblings=[SLOW] * 3),
    )
    yield "lower bound, equal scatter", lt.lower_bound(SLOW, "A-basis", siblings=kin, method="equal scatter")
    yield "demonstrated, borrowed scatter", lt.confidence_that(SLOW, 16.0, 0.01, siblings=kin)
    yield "mean - 3 s", lt.lower_bound(SLOW, "mean - 3 s")
    yield "prediction", lt.lower_bound(SLOW, "EN 1990 prediction")
    yield "none broke", lt.lower_bound(lt.Sample([22.0] * 29, np.zeros(29, bool), label="oval"), "B-basis")
    yield "demonstrated", lt.confidence_that(SLOW, 20.0, 0.05)
    yield "sensitivity", lt.checks.sensitivity(SLOW)
    yield "equal spread", lt.checks.equal_scale([SLOW, SHOCK, CORD], size=400)
    yield "gain of borrowing", lt.checks.shared_gain([SLOW, SHOCK, CORD])
    yield "batches", lt.batch_bound(BATCHES, 0.1, 0.95)
    yield "next specimen", lt.prediction(SLOW)
    yield "next five, with a survivor", lt.prediction(SHOCK, 5)
    yield "next specimen, batches", lt.prediction(BATCHES)
    yield "lot accepted", lt.accept_batch(SLOW, lt.Sample([22.9, 24.0, 23.5], label="lot 7"))
    yield "lot not accepted", lt.accept_batch(BATCHES, [15.0, 16.0, 17.5])
    yield "comparison", lt.compare(SLOW, SHOCK, margin=0.8)
    yield "comparison, no difference", lt.compare(SLOW, lt.Sample([23.9, 24.8, 23.1, 25.6, 24.4], label="other"))
    yield "comparison, pairs with a survivor", lt.compare(SLOW, SHOCK, pair=[*"abcde"] * 2)
    yield "comparison, blocks with a survivor", lt.compare(SLOW, SHOCK, block=[*"aabbb"] * 2, margin=0.7)
    yield "up and down", lt.drops.up_and_down([2, 3, 2, 3, 2, 1, 2, 1, 2, 3], [0, 1, 0, 1, 1, 0, 1, 0, 0, 1])
    yield (
        "up and down, spread of the step",
        lt.drops.up_and_down([2.0, 2.5, 2.0, 2.5, 3.0], [0, 1, 0, 0, 1], spread="step"),
    )
    yield "plan, new series", lt.plan.new_series(20.0, "B-basis", mean=25.0, cv=0.06, family="normal")
    yield "plan, zero failures", lt.plan.zero_failure(0.9, 0.95)
    yield "plan, comparison", lt.plan.comparison(0.9, 0.05)
    yield "second opinion", lt.checks.second_opinion(SLOW)
    yield "outliers", lt.checks.outliers(SLOW, size=500)
    yield "pooling", lt.checks.pooling(BATCHES, size=500)
    yield "goodness_of_fit", lt.checks.goodness_of_fit(SLOW, size=500)
    sling = "sewn sling, basket, slow pull"
    yield "weak link", lt.parts.weak_link(log, group="steel oval connector, major axis, slow pull")
    yield "failure modes, a gap", lt.checks.failure_modes(SLOW, size=500)
    yield "failure modes, named", lt.checks.failure_modes(log, group="steel oval connector, minor axis, slow pull")
    yield "retention", lt.trend.retention(log, group=sling, size=500)
    seen = log.table.assign(outdoors=np.where(np.arange(len(log.table)) % 3, "yes", "no"))
    others = {"outdoors": "yes"}
    yield "retention, a further column", lt.trend.retention(seen, group=sling, others=others, size=500, power=False)
    yield "peak", lt.trace.peak_load(lt.trace.read_trace(DATA / "traces" / "slow_pull_P31.csv"))
    yield "log", log


def written():
    """All of them as one text."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.LowtailWarning)
        return "".join(f"[{name}]\n{answer}\n\n" for name, answer in sentences())


def test_sentences_are_those_in_the_file():
    assert written() == FILE.read_text(encoding="utf-8")


if __name__ == "__main__":
    sys.stdout.write(written())
    FILE.write_text(written(), encoding="utf-8")
