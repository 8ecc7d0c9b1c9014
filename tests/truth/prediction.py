"""Lower prediction bounds against simulated series and the specimens that follow them.

Four parts, each with its table beside this file:

- prediction.csv: complete and type II series of the distribution assumed; exact, so the cells are few;
- prediction_held.csv: specimens held early (given at least 2 different breaks), where the bound is calibrated;
- prediction_batches.csv: the next specimens come from one more batch;
- prediction_wrong.csv: 14 real populations (`real_strengths`; resampled and smoothed) and 2 spoiled ones
  (`wrong_distribution`), for each distribution and for ``lower``, the lower of Weibull and normal, the default.

A bound lies at or below the lowest of the next m exactly where the chance of a lower one, taken at it, is at least 1 -
confidence: no bound is searched for where none is needed.

Run ``python tests/truth/prediction.py`` to make the tables anew (about 20 minutes on one core), or with names of parts.
"""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

import lowtail as lt
from lowtail.models.batches.normal_batches import batch_sums
from lowtail.models.batches.weibull_batches import weibull_batches
from lowtail.models.confidence.search import build
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.likelihood import prepare
from lowtail.models.prediction.lowest import EARLY_WEIGHT, early_more, lowest_below, prediction_nodes
from lowtail.models.prediction.next_batch import normal_next_batch, weibull_next_batch

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
LEVELS = (0.75, 0.95)
TOP = 1e6  # far above any load: no limit


def strengths(family: str, size: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    """Mean about 25 and scatter about 8 %; a pivotal answer does not depend on either."""
    if family == "weibull":
        return 25 * rng.weibull(14, size)
    z = 0.08 * rng.standard_normal(size)
    return 25 * (np.exp(z) if family == "lognormal" else 1 + z)


def chances(load: np.ndarray, broke: np.ndarray | None, family: str, lowest: np.ndarray, m: int) -> np.ndarray:
    """Chance of each series that the lowest of its next m lies at or below ``lowest``, before any calibration."""
    law, s = get_family(family), prepare(load, broke, get_family(family))
    out = np.full(lowest.size, np.nan)
    for r in np.unique(s.r):
        for rows in np.array_split(np.flatnonzero((s.r == r) & s.distinct & ~s.bad), max(1, lowest.size // 500)):
            if rows.size and r >= 2:
                part = s.rows(rows)
                nodes = build(law, (part,), 3.0, 0.002)
                q = (law.transform(np.maximum(lowest[rows], 1e-9)) - part.centre) / part.scale
                out[rows] = lowest_below(nodes, law, q, m, int(r))
    return out


def exact(repeats: int = 30_000) -> pd.DataFrame:
    """Coverage in per cent for complete and type II series."""
    rows = []
    for family, n, r in (
        ("weibull", 3, 3), ("weibull", 5, 5), ("weibull", 10, 10), ("weibull", 8, 5), ("weibull", 10, 3),
        ("normal", 3, 3), ("normal", 8, 8), ("lognormal", 5, 5), ("normal", 8, 5),
    ):  # fmt: skip
        for m in (1, 5, 20):
            many = repeats if r == n or family == "weibull" else repeats // 4
            rng = np.random.default_rng([n, r, m, len(family)])
            load = np.sort(strengths(family, (many, n), rng), axis=1)
            load = np.minimum(load, load[:, [r - 1]])
            broke = np.broadcast_to(np.arange(n) < r, load.shape)
            chance = chances(load, broke, family, strengths(family, (many, m), rng).min(axis=1), m)
            for g in LEVELS:
                held = 100 * float((chance >= 1 - g).mean())
                rows.append({"family": family, "n": n, "r": r, "m": m, "confidence": g, "held": held, "repeats": many})
    return pd.DataFrame(rows)


def limits_of(pattern: str, shape: tuple[int, int], rng: np.random.Generator, family: str) -> np.ndarray:
    """Loads at which specimens are taken off."""
    at = dict(zip((0.03, 0.1), np.quantile(strengths(family, (1_000_000,), rng), (0.03, 0.1)), strict=True))
    if pattern.startswith("3 + 27"):
        return np.where(np.arange(30) < 27, at[0.1 if "10 %" in pattern else 0.03], TOP) * np.ones(shape)
    if pattern == "3 + 9 at the 3 % point":
        return np.where(np.arange(12) < 9, at[0.03], TOP) * np.ones(shape)
    if pattern == "each 60 % at the 3 % point":
        return np.where(rng.random(shape) < 0.6, at[0.03], TOP)
    return strengths(family, shape, rng) * 1.01  # a rig that lets go of about half of them


HELD = (
    ("3 + 27 at the 3 % point", 30, "weibull"),
    ("3 + 27 at the 10 % point", 30, "weibull"),
    ("3 + 9 at the 3 % point", 12, "weibull"),
    ("each 60 % at the 3 % point", 12, "weibull"),
    ("rig lets go of half", 10, "weibull"),
    ("3 + 9 at the 3 % point", 12, "normal"),
)


def held(repeats: int = 2000, cells=HELD) -> pd.DataFrame:
    """Coverage in per cent where specimens held early: before the check, and with its correction ``once`` and twice.

    ``calibrated`` is the bound as given. Where the chance before the check is high enough nothing more is asked; the
    normal distribution, slow to check, is asked at 95 % alone.
    """
    rows = []
    for (pattern, n, family), m in product(cells, (1, 10)):
        rng = np.random.default_rng([n, m, len(pattern + family)])
        levels = (0.75, 0.95, 0.99) if family == "weibull" else (0.95,)
        shape = (repeats, n)
        limit, strength = limits_of(pattern, shape, rng, family), strengths(family, shape, rng)
        load, broke = np.minimum(strength, limit), strength <= limit
        able = broke.sum(axis=1) >= 2
        load, broke = load[able], broke[able]
        lowest = strengths(family, (len(load), m), rng).min(axis=1)
        chance, more = chances(load, broke, family, lowest, m), np.zeros(len(load))
        for i in np.flatnonzero(chance < 1 - levels[0]):
            law = lt.confidence_distribution(lt.Sample(load[i], broke[i], resolution=0), family)
            s, nodes = law.groups[0], prediction_nodes(law, m, 0.95)
            q = (law.family.transform(max(lowest[i], 1e-9)) - s.centre) / s.scale
            more[i] = early_more(s, law.family, nodes, q, m).item() if law.calibrated else 0.0
        for g in levels:
            each = {"plain": 0.0, "once": 1.0, "calibrated": EARLY_WEIGHT}
            shares = {name: 100 * float((chance + weight * more >= 1 - g).mean()) for name, weight in each.items()}
            row = {"family": family, "held": pattern, "n": n, "m": m, "confidence": g, **shares}
            rows.append({**row, "repeats": len(load)})
    return pd.DataFrame(rows)


def batches(repeats: int = 1000) -> pd.DataFrame:
    """Coverage in per cent for the lowest of m from one more batch; ``share`` of the variance lies between batches."""
    rows = []
    for family, sizes in (("normal", (3, 3, 3)), ("normal", (2, 2, 3, 3, 5)), ("weibull", (3, 3, 3)),
                          ("weibull", (2, 2, 3, 3, 5))):  # fmt: skip
        law, index = get_family(family), np.repeat(np.arange(len(sizes)), sizes)
        within = 0.08 if family == "normal" else np.pi / np.sqrt(6) / 14
        for share in (0.0, 0.5, 0.9):
            between = within * np.sqrt(share / (1 - share))
            for m in (1, 5):
                rng = np.random.default_rng([len(sizes), len(family), int(10 * share), m])
                many = repeats if family == "weibull" else 2 * repeats
                chance = np.empty(many)
                for i in range(many):
                    shift = between * rng.standard_normal(len(sizes) + 1)
                    z = rng.standard_normal(index.size + m) * within
                    if family == "weibull":
                        z = np.log(rng.standard_exponential(index.size + m)) / 14
                    y = z[: index.size] + shift[index]
                    if family == "weibull":
                        batch = weibull_next_batch(weibull_batches(y, np.ones(y.size, bool), index, nodes=80))
                    else:
                        batch = normal_next_batch(batch_sums([y[index == j] for j in range(len(sizes))]))
                    chance[i] = batch.below(float(z[index.size :].min() + shift[-1]), law, m)
                for g in LEVELS:
                    row = {"family": family, "sizes": " ".join(map(str, sizes)), "share": share, "m": m}
                    row |= {"confidence": g, "held": 100 * float((chance >= 1 - g).mean()), "repeats": many}
                    rows.append(row)
    return pd.DataFrame(rows)


def wrong(repeats: int = 2000, names: list[str] | None = None, sizes: tuple[int, ...] = (5, 10, 30)) -> pd.DataFrame:
    """Coverage in per cent for real and spoiled populations, at 95 %."""
    from real_strengths import draw, populations, width_of
    from wrong_distribution import CLASSES

    def real(values):
        width = width_of(values)
        return lambda size, rng: (
            draw(values, size[1], width, size[0], rng)
            if size[1] > 1
            else np.exp(rng.choice(np.log(values), size) + width * rng.standard_normal(size))
        )

    drawn = {name: real(values) for name, values in populations().items()}
    drawn["a tenth 30 % weaker"] = CLASSES["minority 30 % weaker"]["10 %"]
    drawn["competing Weibulls"] = CLASSES["competing Weibulls"]["25 and 4"]
    rows = []
    for i, (name, make) in enumerate(drawn.items()):
        if names is not None and name not in names:
            continue
        for n in sizes:
            for m in (1, 5, 20):
                rng = np.random.default_rng([i, n, m])
                many = repeats if m == 1 else repeats // 2
                load = make((many, n), rng)
                lowest = make((many * m, 1), rng).reshape(many, m).min(axis=1)
                good = {f: chances(load, None, f, lowest, m) >= 0.05 for f in ("weibull", "normal", "lognormal")}
                good["lower"] = good["weibull"] | good["normal"]
                shares = {f: 100 * float(each.mean()) for f, each in good.items()}
                rows.append({"population": name, "n": n, "m": m, **shares, "repeats": many})
    return pd.DataFrame(rows)


PARTS = {"prediction": exact, "prediction_held": held, "prediction_batches": batches, "prediction_wrong": wrong}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        table = PARTS[part]()
        table.round(3).to_csv(HERE / f"{part}.csv", index=False)
        print(table.round(2).to_string())
