"""The sentence on a weaker kind that was missed: how often its share and its bounds are false.

Three parts, each against a population of which a share is weaker by 15 or 30 %:

- ``share``: specimens held under several limits. The sentence is false where no weak piece broke and the true share
  exceeds the one stated (nominal at most 5 %); the worst of six true shares is kept. ``every specimen`` is the same if
  each tested piece were counted, held at a low load or not.
- ``bound``: the share is the one stated, no weak piece is tested, and the bound named in the sentence should lie below
  the mixture's percentile. Main kinds: Weibull, normal, lognormal, and real strengths (kernel-smoothed resampling, see
  ``real_strengths.py``); with survivors (Weibull only); and batches at random, for a batch yet to come. ``said`` is the
  bound of the sentence (the governing bound in the proportion of the Weibull mixture); ``lower_of_two`` the lower of
  the governing bound and the Weibull mixture bound; ``quoted`` the governing bound itself, which knows of no minority.

Run ``python tests/truth/unseen.py`` to make unseen.csv and unseen_share.csv anew (about 5 minutes on one core).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import real_strengths as real

import lowtail as lt
from lowtail import NORMAL, WEIBULL
from lowtail.many import lower_bound as low_many
from lowtail.models.bounds.cautious import cautious_many
from lowtail.models.bounds.unseen import counted, log_hazard, missed_share, mixture_low, mixture_many

HERE = Path(__file__).parent
LEVELS = ((0.01, 0.95), (0.10, 0.95), (0.05, 0.75))
WEAKER = (0.15, 0.30)
Draw = Callable[[tuple[int, ...], np.random.Generator], np.ndarray]


def limits(kind: str, size: tuple[int, int], shape: float, rng: np.random.Generator) -> np.ndarray:
    """Loads at which a specimen of a Weibull kind of scale 1 is let go."""

    def at(fraction: float) -> float:
        return float((-np.log1p(-fraction)) ** (1 / shape))

    if kind == "3 without a limit, the rest at the 3 % point":
        out = np.full(size, at(0.03))
        out[:, :3] = np.inf
        return out
    if kind == "each 60 % at the 3 % point":
        return np.where(rng.random(size) < 0.6, at(0.03), np.inf)
    if kind == "all at the 40 % point":
        return np.full(size, at(0.4))
    if kind == "all at the 80 % point":
        return np.full(size, at(0.8))
    share = {"rig holds 30 %": 0.3, "rig holds 60 %": 0.6}[kind]
    return rng.weibull(shape, size) * (1 / share - 1) ** (1 / shape)


PATTERNS = (
    "3 without a limit, the rest at the 3 % point",
    "each 60 % at the 3 % point",
    "all at the 40 % point",
    "all at the 80 % point",
    "rig holds 30 %",
    "rig holds 60 %",
)


def shares(repeats: int = 8000, sizes: tuple[int, ...] = (6, 12, 30)) -> pd.DataFrame:
    """How often the share that is stated is too small, in per cent of the samples with 2 breaks or more."""
    rows = []
    for pattern in PATTERNS:
        for shape in (8.0, 15.0, 25.0):
            for weaker in WEAKER:
                for n in sizes:
                    rng = np.random.default_rng([n, int(shape), PATTERNS.index(pattern)])
                    false = [_false_shares(pattern, shape, weaker, n, e, repeats, rng) for e in TRUE_SHARES]
                    said, every = np.max(false, axis=0)
                    rows.append({"pattern": pattern, "shape": shape, "weaker": weaker, "n": n, "false": said})
                    rows[-1] |= {"false_every_specimen": every, "repeats": repeats}
    return pd.DataFrame(rows)


TRUE_SHARES = (0.1, 0.2, 0.35, 0.5, 0.7, 0.9)


def _false_shares(
    pattern: str, shape: float, weaker: float, n: int, share: float, repeats: int, rng: np.random.Generator
) -> tuple[float, float]:
    weak = rng.random((repeats, n)) < share
    strength = rng.weibull(shape, weak.shape) * np.where(weak, 1 - weaker, 1.0)
    limit = limits(pattern, weak.shape, shape, rng)
    load, broke = np.minimum(strength, limit), strength <= limit
    able = broke.sum(axis=1) >= 2
    load, broke, weak = load[able], broke[able], weak[able]
    missed = ~(weak & broke).any(axis=1)
    n_counted = np.array([counted(x, b).sum() for x, b in zip(load[missed], broke[missed], strict=True)])
    per = 100 / max(len(load), 1)
    return (
        per * float((share > 1 - 0.05 ** (1 / np.maximum(n_counted, 1))).sum()),
        per * float((missed & (share > missed_share(n))).sum()),
    )


def mains() -> Iterator[tuple[str, Draw]]:
    """The main kinds."""
    for shape in (8, 15, 25):
        yield f"Weibull {shape}", lambda s, rng, shape=shape: 25 * rng.weibull(shape, s)
    yield "normal cv 6 %", lambda s, rng: 25 * (1 + 0.06 * rng.standard_normal(s))
    yield "lognormal 10 %", lambda s, rng: 25 * np.exp(0.1 * rng.standard_normal(s))
    for name in ("ceramic bars, batch 1", "glass fibre 15 mm", "adhesive bonds", "cotton yarn"):
        values = np.log(real.populations()[name])
        width = real.width_of(np.exp(values))
        yield (
            name,
            lambda s, rng, v=values, h=width: np.exp(rng.choice(v, s) + h * rng.standard_normal(s)),
        )


def row_of(low: np.ndarray, weibull: np.ndarray, mixed: np.ndarray, truth: np.ndarray | float) -> dict[str, float]:
    """Coverage of the bounds in per cent."""
    each = {"said": low * np.minimum(1, mixed / weibull), "lower_of_two": np.minimum(low, mixed), "quoted": low}
    return {name: 100 * float((bound <= truth).mean()) for name, bound in each.items()}


def bounds(repeats: int = 2000, names: list[str] | None = None, sizes: tuple[int, ...] = (5, 10, 30)) -> pd.DataFrame:
    """Complete samples."""
    rows = []
    for i, (name, draw) in enumerate(mains()):
        if names is not None and name not in names:
            continue
        big = draw((400_000,), np.random.default_rng([i, 0]))
        mark = np.random.default_rng([i, 1]).random(big.size)
        for n in sizes:
            share, load = missed_share(n), draw((repeats, n), np.random.default_rng([i, n]))
            for p, g in LEVELS:
                found = real.bounds(load, p, g)
                for d in WEAKER:
                    truth = float(np.quantile(np.where(mark < share, big * (1 - d), big), p))
                    mixed = mixture_many(load, None, p, g, share, d)
                    row = {"what": "complete", "main": name, "n": n, "fraction_below": p, "confidence": g, "weaker": d}
                    rows.append({**row, **row_of(found["governing"], found["W"], mixed, truth), "repeats": repeats})
    return pd.DataFrame(rows)


def with_survivors(repeats: int = 120, shape: float = 15.0) -> pd.DataFrame:
    """Weibull main kind, specimens held; the share stated differs from sample to sample, and so does the truth."""
    rows = []
    cells = ((PATTERNS[0], 30), (PATTERNS[1], 12), (PATTERNS[2], 12), (PATTERNS[4], 8), (PATTERNS[5], 12))
    for pattern, n in cells:
        rng = np.random.default_rng([n, PATTERNS.index(pattern)])
        strength = rng.weibull(shape, (4 * repeats, n))
        limit = limits(pattern, strength.shape, shape, rng)
        able = np.flatnonzero((strength <= limit).sum(axis=1) >= 2)[:repeats]
        load, broke = np.minimum(strength, limit)[able], (strength <= limit)[able]
        n_counted = np.array([counted(x, b).sum() for x, b in zip(load, broke, strict=True)])
        for p, g in LEVELS[1:]:
            each = [low_many(load, broke, law, p, g) for law in (WEIBULL, NORMAL)]
            low = np.nanmin([*each, cautious_many(load, broke, p, g)], axis=0)
            plain = low_many(load, broke, WEIBULL, p, g, calibrated=False)
            for d in WEAKER:
                mixed, truth = np.empty(len(load)), np.empty(len(load))
                for count in np.unique(n_counted):
                    at, share = n_counted == count, missed_share(int(count))
                    mixed[at] = mixture_many(load[at], broke[at], p, g, share, d)
                    truth[at] = np.exp(log_hazard(np.array([shape]), p, share, d) / shape)
                row = {"what": pattern, "main": f"Weibull {shape:g}", "n": n, "fraction_below": p, "confidence": g}
                rows.append({**row, "weaker": d, **row_of(low, plain, mixed, truth), "repeats": len(load)})
    return pd.DataFrame(rows)


def next_batch(repeats: int = 200) -> pd.DataFrame:
    """Batches at random (normal in ln scale), Weibull of shape 15 or 25 within: the bound for a batch yet to come."""
    rows = []
    for batches, each, shape, between in ((2, 4, 25.0, 0.08), (3, 3, 15.0, 0.05), (5, 3, 25.0, 0.08)):
        n, rng = batches * each, np.random.default_rng([batches, each])
        share = missed_share(n)
        big = between * rng.standard_normal(600_000) + np.log(rng.standard_exponential(600_000)) / shape
        weak = rng.random(big.size) < share
        names = [str(i) for i in range(batches) for _ in range(each)]
        place = between * rng.standard_normal((repeats, batches, 1))
        inner = np.log(rng.standard_exponential((repeats, batches, each))) / shape
        samples = [lt.Sample(x, batch=names) for x in np.exp(place + inner).reshape(repeats, n)]
        for p, g, basis in ((0.10, 0.95, "B-basis"), (0.05, 0.75, "5 % characteristic, 75 %")):
            found = [lt.governing(s, basis) for s in samples]
            low, plain = np.array([f.low for f in found]), np.array([f.weibull for f in found])
            for d in WEAKER:
                truth = float(np.exp(np.quantile(np.where(weak, big + np.log1p(-d), big), p)))
                mixed = np.array([mixture_low(s.load, s.broke, p, g, share, d) for s in samples])
                row = {
                    "what": "a batch yet to come",
                    "main": f"{batches} batches, Weibull {shape:g}, {between:g} between",
                }
                row |= {"n": n, "fraction_below": p, "confidence": g, "weaker": d}
                rows.append({**row, **row_of(low, plain, mixed, truth), "repeats": repeats})
    return pd.DataFrame(rows)


if __name__ == "__main__":
    few = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    part = shares(8000 // few)
    part.round(2).to_csv(HERE / "unseen_share.csv", index=False)
    print(part.groupby("pattern")[["false", "false_every_specimen"]].max().to_string())
    table = pd.concat([bounds(2000 // few), with_survivors(120 // few), next_batch(200 // few)])
    table.round(2).to_csv(HERE / "unseen.csv", index=False)
    print(table.groupby(["what", "main", "confidence"])[["said", "lower_of_two", "quoted"]].min().round(1).to_string())
