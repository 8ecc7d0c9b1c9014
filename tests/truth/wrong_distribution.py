"""Bounds where strength is not what the bound assumes: classes of populations, each with its lowest coverage.

Minorities (a share of pieces 15 or 30 % weaker than the Weibull kind of shape 15), competing Weibulls (the weaker of
two parts), left-skewed (the log of a gamma), symmetric, right-skewed, bimodal, and all specimens from one batch of
many. The truth is the percentile of a million draws. W is the Weibull bound; ``governing`` the lowest of the Weibull,
the normal and the cautious bound. A second part holds some of the specimens, a last one counts how often the checks
(goodness of fit, outliers, gap) warn.

Run ``python tests/truth/wrong_distribution.py`` to make wrong_distribution.csv, wrong_distribution_held.csv and
wrong_distribution_warned.csv anew (about 9 minutes on one core, most of it for survivors and for the checks).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

import lowtail as lt
from lowtail import NORMAL, WEIBULL, LowtailError
from lowtail.many import lower_bound as low_many
from lowtail.models.bounds.cautious import cautious_many

HERE = Path(__file__).parent
REPEATS = 4000
SIZES = (5, 10, 15, 30)
LEVELS = ((0.01, 0.95), (0.10, 0.95), (0.05, 0.75))
Draw = Callable[[tuple[int, int], np.random.Generator], np.ndarray]


def weibull(shape: float) -> Draw:
    return lambda s, rng: 25 * rng.weibull(shape, s)


def minority(share: float, weaker: float, main: Draw) -> Draw:
    return lambda s, rng: main(s, rng) * np.where(rng.random(s) < share, 1 - weaker, 1.0)


def competing(one: float, other: float, ratio: float) -> Draw:
    return lambda s, rng: np.minimum(25 * rng.weibull(one, s), 25 * ratio * rng.weibull(other, s))


def one_batch(within: float, between: float) -> Draw:
    """Every sample from one batch of many; the population is over all batches."""

    def draw(s: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
        return 25 * np.exp(between * rng.standard_normal((s[0], 1))) * rng.weibull(within, s)

    return draw


def bimodal(s: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    return np.where(rng.random(s) < 0.5, 22.0, 27.0) + 0.8 * rng.standard_normal(s)


CLASSES: dict[str, dict[str, Draw]] = {
    "minority 15 % weaker": {f"{100 * e:g} %": minority(e, 0.15, weibull(15)) for e in (0.01, 0.05, 0.1, 0.2)},
    "minority 30 % weaker": {f"{100 * e:g} %": minority(e, 0.30, weibull(15)) for e in (0.01, 0.05, 0.1, 0.2)},
    "low scatter, a tenth 30 % weaker": {
        "cv 4 %": minority(0.1, 0.3, lambda s, rng: 25 * (1 + 0.04 * rng.standard_normal(s)))
    },
    "competing Weibulls": {
        "20 and 5": competing(20, 5, 1.2),
        "25 and 4": competing(25, 4, 1.5),
        "15 and 6": competing(15, 6, 1.3),
    },
    "left-skewed": {f"index {a:g}": lambda s, rng, a=a: 25 * rng.gamma(a, 1.0, s) ** 0.05 for a in (0.25, 0.5)},
    "Weibull, normal, right-skewed, bimodal": {
        "Weibull 8": weibull(8),
        "Weibull 15": weibull(15),
        "Weibull 25": weibull(25),
        "normal cv 6 %": lambda s, rng: 25 * (1 + 0.06 * rng.standard_normal(s)),
        "lognormal 10 %": lambda s, rng: 25 * np.exp(0.1 * rng.standard_normal(s)),
        "gamma 20": lambda s, rng: rng.gamma(20, 1.25, s),
        "bimodal": bimodal,
    },
    "all from one batch of many": {"5 % between": one_batch(18, 0.05), "10 % between": one_batch(18, 0.10)},
}


def study(repeats: int = REPEATS, classes: list[str] | None = None, sizes: tuple[int, ...] = SIZES) -> pd.DataFrame:
    """Coverage in per cent of every population, size and level."""
    rows = []
    for name, members in CLASSES.items():
        if classes is not None and name not in classes:
            continue
        for which, draw in members.items():
            seed = sum(map(ord, name + which))
            big = draw((1_000_000, 1), np.random.default_rng([seed, 0])).ravel()
            for n in sizes:
                load = draw((repeats, n), np.random.default_rng([seed, n]))
                for p, g in LEVELS:
                    truth = float(np.quantile(big, p))
                    w = low_many(load, None, WEIBULL, p, g)
                    low = np.nanmin([w, low_many(load, None, NORMAL, p, g), cautious_many(load, None, p, g)], axis=0)
                    row = {"class": name, "population": which, "n": n, "fraction_below": p, "confidence": g}
                    row |= {"W": 100 * float((w <= truth).mean()), "governing": 100 * float((low <= truth).mean())}
                    rows.append({**row, "price": float(np.median(low) / np.median(w)), "repeats": repeats})
    return pd.DataFrame(rows)


def held(repeats: int = 60, sizes: tuple[int, ...] = (5, 10)) -> pd.DataFrame:
    """The same with specimens held: by a rig whose limits scatter as the strengths do, or at the 3 or the 30 % point.

    The last population is the worst that the cautious bound allows (ln F linear in ln load). ``C`` is the coverage of
    the cautious bound alone, of ``repeats_C`` samples; the others, checked by simulation where specimens held early,
    are of the first ``repeats`` of them. ``price`` is the median of the governing to the Weibull bound.
    """
    rows = []
    for name, which in HELD:
        draw = CLASSES[name][which] if name in CLASSES else lambda s, rng: 25 * rng.random(s) ** 0.1
        seed = sum(map(ord, name + which))
        big = draw((1_000_000, 1), np.random.default_rng([seed, 0])).ravel()
        for pattern in ("rig holds 40 %", "each 60 % at the 3 % point", "each 20 % at the 30 % point"):
            for n in sizes:
                rng = np.random.default_rng([seed, n, len(pattern)])
                strength = draw((REPEATS, n), rng)
                if pattern.startswith("rig"):
                    limit = np.quantile(big, rng.random(strength.shape)) * np.quantile(big, 0.6) / np.median(big)
                else:
                    share, at = (0.6, 0.03) if "60" in pattern else (0.2, 0.30)
                    limit = np.where(rng.random(strength.shape) < share, np.quantile(big, at), np.inf)
                able = (strength <= limit).sum(axis=1) >= 2
                load, broke = np.minimum(strength, limit)[able], (strength <= limit)[able]
                for p, g in LEVELS[1:]:
                    truth = float(np.quantile(big, p))
                    c = cautious_many(load, broke, p, g)
                    w, other = (low_many(load[:repeats], broke[:repeats], law, p, g) for law in (WEIBULL, NORMAL))
                    low = np.nanmin([w, other, c[:repeats]], axis=0)
                    row = {"class": name, "population": which, "held": pattern, "n": n, "fraction_below": p}
                    each = {"W": w, "governing": low, "C": c}
                    row |= {"confidence": g, **{k: 100 * float((v <= truth).mean()) for k, v in each.items()}}
                    row["price"] = float(np.median(low / w))
                    rows.append({**row, "repeats": len(w), "repeats_C": len(c)})
    return pd.DataFrame(rows)


HELD = (
    ("Weibull, normal, right-skewed, bimodal", "Weibull 15"),
    ("Weibull, normal, right-skewed, bimodal", "normal cv 6 %"),
    ("minority 30 % weaker", "10 %"),
    ("competing Weibulls", "20 and 5"),
    ("left-skewed", "index 0.25"),
    ("worst log-concave", "power 10"),
)


def warned(repeats: int = 400, sizes: tuple[int, ...] = (5, 10, 15)) -> pd.DataFrame:
    """How often any check warns of a minority of a tenth that is 30 % weaker, and of a sound Weibull sample."""
    rows = []
    for what, draw in (("a tenth 30 % weaker", minority(0.1, 0.3, weibull(15))), ("sound", weibull(15))):
        for n in sizes:
            rng = np.random.default_rng([n, len(what)])
            seen = {"law": 0, "outliers": 0, "gap": 0, "any": 0, "weak_piece_tested": 0}
            for _ in range(repeats):
                load = draw((1, n), rng)[0]
                flags = [check(lt.Sample(load)) for check in CHECKS]
                for key, flag in zip(("law", "outliers", "gap"), flags, strict=True):
                    seen[key] += flag
                seen["any"] += any(flags)
            rows.append({"population": what, "n": n, **{k: 100 * v / repeats for k, v in seen.items()}})
            rows[-1]["weak_piece_tested"] = 100 * (1 - 0.9**n) if what != "sound" else 0.0
            rows[-1]["repeats"] = repeats
    return pd.DataFrame(rows)


def _safe(question: Callable[[], bool]) -> bool:
    try:
        return question()
    except LowtailError:
        return False


CHECKS = (
    lambda s: _safe(lambda: bool(lt.checks.goodness_of_fit(s, families=["weibull"], size=400).contradicted)),
    lambda s: _safe(lambda: lt.checks.outliers(s, size=400).number > 0),
    lambda s: _safe(lambda: lt.checks.failure_modes(s, size=400).p_value <= 0.05),
)


if __name__ == "__main__":
    table = study(int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS)
    table.round(3).to_csv(HERE / "wrong_distribution.csv", index=False)
    low = table.groupby(["class", "fraction_below", "n"])[["W", "governing"]].min().unstack("n")
    print(low.round(0).to_string())
    some = held(int(sys.argv[2]) // 4 if len(sys.argv) > 2 else 60)
    some.round(2).to_csv(HERE / "wrong_distribution_held.csv", index=False)
    print(some.round(1).to_string())
    seen = warned(int(sys.argv[2]) if len(sys.argv) > 2 else 400)
    seen.round(2).to_csv(HERE / "wrong_distribution_warned.csv", index=False)
    print(seen.round(1).to_string())
