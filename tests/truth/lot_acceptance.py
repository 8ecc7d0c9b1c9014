"""Error rates of the acceptance of a lot: how often a lot as good as the series is not accepted, for a stated 5 %.

For every series of ``n_qualified`` (``r`` broke, the tests stopped there) limits are drawn as `lowtail.accept_batch`
draws them, only fewer lots, and 200 lots of ``n`` from the true population are judged by them. ``rejected`` is the
share not accepted; ``accepted_weaker`` the share of lots 10 % weaker that is accepted, ``stated_weaker`` what is said
of it, on average. In the last cells the series comes in batches, with a ``share`` of the variance between them and
the lot one more batch; or strength is normal and judged by the Weibull limits; or specimens held at the 10 % point.

Run ``python tests/truth/lot_acceptance.py`` to make lot_acceptance.csv anew (about 5 minutes on one core).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

import lowtail as lt
from lowtail.models.batches.normal_batches import batch_sums
from lowtail.models.batches.weibull_batches import weibull_batches
from lowtail.models.distributions.families import get_family
from lowtail.models.prediction.lots import draw_lots
from lowtail.models.prediction.next_batch import normal_next_batch, weibull_next_batch

HERE = Path(__file__).parent
LOTS, SIZE, STATED = 200, 4000, 0.05
SHAPE, CV = 14.0, 0.08
CELLS = (  # judged by, truth, specimens, broke, in the lot, kind
    ("weibull", "weibull", 3, 3, 3, ""),
    ("weibull", "weibull", 5, 5, 5, ""),
    ("weibull", "weibull", 5, 5, 8, ""),
    ("weibull", "weibull", 8, 8, 3, ""),
    ("weibull", "weibull", 8, 8, 8, ""),
    ("weibull", "weibull", 20, 20, 5, ""),
    ("weibull", "weibull", 10, 6, 5, ""),
    ("normal", "normal", 5, 5, 5, ""),
    ("normal", "normal", 8, 8, 3, ""),
    ("normal", "normal", 20, 20, 8, ""),
    ("lognormal", "lognormal", 8, 8, 5, ""),
    ("weibull", "normal", 10, 10, 5, ""),
    ("weibull", "weibull", 12, 12, 5, "held at the 10 % point"),
)
BATCHES = tuple((family, share) for family in ("weibull", "normal") for share in (0.0, 0.5, 0.9))


def y_of(truth: str, size: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    """Strength on the y axis of its own distribution: kN for the normal, else ln kN; about 25 kN."""
    if truth == "weibull":
        return np.log(25.0) + np.log(rng.standard_exponential(size)) / SHAPE
    z = CV * rng.standard_normal(size)
    return 25 * (1 + z) if truth == "normal" else np.log(25.0) + z


def judged(law, location, spread, y: np.ndarray, rng: np.random.Generator) -> tuple[float, float, float]:
    """Share of the lots ``y`` (lots, n) not accepted, of 10 % weaker ones accepted, and what is stated of these."""
    lots = draw_lots(law, location, spread, y.shape[1], rng)
    lowest, mean, _ = lots.limits(STATED)
    weak = y + np.log(0.9) if law.on_log else 0.9 * y
    good, passed = ((a.min(axis=1) >= lowest) & (a.mean(axis=1) >= mean) for a in (y, weak))
    stated = lots.accepted((lowest, mean), weaker=0.1, log=law.on_log)
    return float(1 - good.mean()), float(passed.mean()), stated


def row_of(found: list[tuple[float, float, float]], **names) -> dict:
    """One row: means in per cent, and the simulation error of the first."""
    a = 100 * np.array(found)
    values = dict(zip(("rejected", "accepted_weaker", "stated_weaker"), a.mean(axis=0), strict=True))
    return {**names, **values, "error": float(a[:, 0].std(ddof=1) / np.sqrt(len(a))), "repeats": len(a)}


def one(family: str, truth: str, n_qualified: int, r: int, n: int, kind: str, repeats: int) -> dict:
    """One cell of `CELLS`."""
    law, rng, found = get_family(family), np.random.default_rng([n_qualified, r, n, len(family + truth + kind)]), []
    while len(found) < repeats:
        y = np.sort(y_of(truth, (n_qualified,), rng))
        broke = np.arange(n_qualified) < r
        y = np.minimum(y, y[r - 1])
        if kind:  # each third specimen is taken off at the 10 % point
            off = np.log(25.0) + np.log(-np.log(0.9)) / SHAPE
            limit = np.where(rng.random(n_qualified) < 1 / 3, off, np.inf)
            y, broke = np.minimum(y, limit), y <= limit
            if broke.sum() < 2:
                continue
        load = y if truth == "normal" else np.exp(y)
        location, spread = lt.confidence_distribution(lt.Sample(load, broke, resolution=0), law).draws(SIZE, rng)
        lot = y_of(truth, (LOTS, n), rng)
        if truth == "normal" and law.on_log:
            lot = np.log(lot)
        found.append(judged(law, location, spread, lot, rng))
    names = {"family": family, "truth": truth, "n_qualified": n_qualified, "r": r, "n": n, "kind": kind}
    return row_of(found, **names, share=np.nan)


def one_of_batches(family: str, share: float, repeats: int, sizes: tuple[int, ...] = (3, 3, 3), n: int = 5) -> dict:
    """One cell of `BATCHES`."""
    law, rng, found = get_family(family), np.random.default_rng([len(family), int(10 * share)]), []
    within = 25 * CV if family == "normal" else np.pi / np.sqrt(6) / SHAPE
    between, index = within * np.sqrt(share / (1 - share)), np.repeat(np.arange(len(sizes)), sizes)
    for _ in range(repeats):
        y = y_of(family, (index.size,), rng) + between * rng.standard_normal(len(sizes))[index]
        if family == "weibull":
            batch = weibull_next_batch(weibull_batches(y, np.ones(y.size, bool), index, nodes=80))
        else:
            batch = normal_next_batch(batch_sums([y[index == j] for j in range(len(sizes))]))
        lot = y_of(family, (LOTS, n), rng) + between * rng.standard_normal((LOTS, 1))
        found.append(judged(law, *batch.draws(SIZE, rng), lot, rng))
    names = {"family": family, "truth": family, "n_qualified": index.size, "r": index.size, "n": n}
    return row_of(found, **names, kind="batches " + " ".join(map(str, sizes)), share=share)


def study(repeats: int = 2500, cells=CELLS, batches=BATCHES) -> pd.DataFrame:
    """Every cell."""
    rows = [one(*cell, repeats) for cell in cells]
    return pd.DataFrame(rows + [one_of_batches(*cell, max(repeats // 2, 1)) for cell in batches])


if __name__ == "__main__":
    table = study()
    table.round(3).to_csv(HERE / "lot_acceptance.csv", index=False)
    print(table.round(2).to_string())
