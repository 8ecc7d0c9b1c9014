"""Coverage of bounds with borrowed scatter: groups whose scatters differ by chance, and fixed sets chosen to break it.

A family is G groups of n specimens whose ln(shape) is normal about ln 15 with standard deviation tau; asked are one of
its groups ("any") and the group with the smallest true shape ("most scattered"). A fixed set names the shape of the
target and those of its siblings. ``borrowed`` is the bound of ``lower_bound(siblings=)``, ``own`` the group's own
bound, ``equal`` the bound under one scatter for all (not everywhere asked). Patterns: complete; type II (a quarter of
each group held when the others had broken); stopped at the load that 75 % do not survive; unequal (siblings of 2 to
12). "one break" shows what the pooled bound without a floor covers where the target has a single break: the reason why
that is refused.

Run ``python tests/truth/borrowed_scatter.py`` to make borrowed_scatter.csv anew (about 8 minutes on one core).
"""

from __future__ import annotations

import sys
import zlib
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from lowtail.models.confidence.predictive import from_groups
from lowtail.models.confidence.quadrature import QUICK
from lowtail.models.confidence.search import build, common_scale, solve
from lowtail.models.confidence.siblings import borrow_low, conflict_p, pooled_low
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.likelihood import prepare

HERE = Path(__file__).parent
REPEATS = 1500  # times `weight`
LEVELS = ((0.01, 0.95), (0.10, 0.95), (0.01, 0.75), (0.10, 0.75))
FURTHER = ((0.05, 0.90), (0.01, 0.99))
CHUNK = 100


class Cell(NamedTuple):
    name: str
    n: int
    groups: int
    tau: float = 0.0
    shapes: tuple[float, ...] = ()  # of a fixed set, the target first
    target: str = "any"
    family: str = "weibull"
    pattern: str = "complete"
    levels: tuple[tuple[float, float], ...] = LEVELS


def fixed_sets(groups: int) -> dict[str, tuple[float, ...]]:
    half = (groups + 1) // 2
    return {
        "8 v 24": (8.0,) + (24.0,) * (groups - 1),
        "12 v 24": (12.0,) + (24.0,) * (groups - 1),
        "12 v 18": (12.0,) + (18.0,) * (groups - 1),
        "half 10, half 25": (10.0,) * half + (25.0,) * (groups - half),
    }


def own_sets(groups: int) -> dict[str, tuple[float, ...]]:
    """Sets of our own: a far and a near unlike target, one odd sibling, a target less scattered than its siblings."""
    return {
        "6 v 40": (6.0,) + (40.0,) * (groups - 1),
        "15 v 20": (15.0,) + (20.0,) * (groups - 1),
        "10 v 15 and a 60": (10.0,) + (15.0,) * (groups - 2) + (60.0,),
        "24 v 8": (24.0,) + (8.0,) * (groups - 1),
    }


def cells() -> list[Cell]:
    out = []
    for target in ("any", "most scattered"):
        for n in (3, 5, 8):
            for groups in (3, 5, 18):
                out += [Cell("family", n, groups, tau, target=target) for tau in (0.0, 0.1, 0.2, 0.4)]
    for n, groups in ((3, 5), (3, 18), (5, 3), (5, 5), (5, 18), (8, 5), (8, 18)):
        out += [Cell(name, n, groups, shapes=s) for name, s in fixed_sets(groups).items()]
    for n, groups in ((3, 4), (5, 9), (8, 3), (12, 6)):  # of our own
        out += [Cell(name, n, groups, shapes=s, levels=LEVELS + FURTHER) for name, s in own_sets(groups).items()]
    for n, groups, tau in ((4, 2, 0.2), (6, 2, 0.0), (5, 7, 0.7), (10, 40, 0.3), (2, 6, 0.2), (30, 5, 0.1)):
        out += [Cell("family", n, groups, tau, target=t, levels=LEVELS + FURTHER) for t in ("any", "most scattered")]
    for pattern in ("type II", "stopped at 75 %"):
        for n, groups, tau in ((4, 5, 0.1), (8, 5, 0.2), (8, 18, 0.1)):
            out += [Cell("family", n, groups, tau, pattern=pattern)]
        out += [Cell(name, 8, 5, shapes=s, pattern=pattern) for name, s in fixed_sets(5).items()]
    for n, groups, tau in ((3, 5, 0.0), (5, 5, 0.1), (5, 18, 0.2), (8, 5, 0.4)):
        out += [Cell("family", n, groups, tau, family="lognormal", target=t) for t in ("any", "most scattered")]
    out += [Cell(name, 5, 5, shapes=s, family="lognormal") for name, s in fixed_sets(5).items()]
    out += [Cell("family", 5, 7, 0.2, pattern="unequal", target=t) for t in ("any", "most scattered")]
    out += [Cell(name, 5, 5, shapes=s, pattern="one break") for name, s in fixed_sets(5).items()]
    return out


def draw(cell: Cell, repeats: int, rng: np.random.Generator) -> tuple[list[np.ndarray], list[np.ndarray], np.ndarray]:
    """Loads and breaks of every group, the target first, and the target's true scale parameters."""
    if cell.shapes:
        shape = np.tile(cell.shapes, (repeats, 1))
    else:
        shape = 15 * np.exp(cell.tau * rng.standard_normal((repeats, cell.groups)))
    if cell.target == "most scattered":
        shape = np.sort(shape, axis=1)
    loads, broke = [], []
    for g in range(cell.groups):
        size = cell.n if cell.pattern != "unequal" or g == 0 else int(rng.integers(2, 13))
        weibull = cell.family == "weibull"
        z = np.log(rng.exponential(size=(repeats, size))) if weibull else rng.standard_normal((repeats, size))
        z, flags = np.sort(z, axis=1), np.ones(z.shape, dtype=bool)
        if cell.pattern in ("type II", "one break"):
            kept = 1 if cell.pattern == "one break" and g == 0 else size - size // 4
            flags[:, kept:] = False
            z = np.minimum(z, z[:, kept - 1 : kept])
        elif cell.pattern == "stopped at 75 %":
            limit = np.log(np.log(4.0)) if weibull else 0.6744897501960817  # normal 75 % point
            flags, z = z <= limit, np.minimum(z, limit)
        loads.append((1.0 + g) * np.exp(z / shape[:, g : g + 1]))
        broke.append(flags)
    return loads, broke, shape[:, 0]


def weight(cell: Cell) -> float:
    """Repetitions of a cell, as a multiple: what is close to its acceptance takes more, what is slow less."""
    if cell.shapes:
        return 2.0
    if cell.groups > 20:
        return 0.2
    return 4.0 if cell.family == "lognormal" and cell.target == "any" else 1.0


def study(repeats: int = REPEATS, which: list[Cell] | None = None, save: Path | None = None) -> pd.DataFrame:
    """One row a cell and level; coverages in per cent, bounds over truth as medians. Saved after every cell."""
    rows = []
    for cell in cells() if which is None else which:
        rng = np.random.default_rng(zlib.crc32(repr((cell.name, cell.n, cell.groups, cell.tau, cell.target,
                                                     cell.family, cell.pattern)).encode()))  # fmt: skip
        size = int(repeats * weight(cell))
        loads, broke, shape = draw(cell, size, rng)
        family = get_family(cell.family)
        least = 1 if cell.pattern == "one break" else 2
        keep = np.flatnonzero(np.all([b.sum(axis=1) >= (least if g == 0 else 2) for g, b in enumerate(broke)], axis=0))
        found: dict[tuple[float, float], list[dict[str, np.ndarray]]] = {level: [] for level in cell.levels}
        order = keep[np.argsort(broke[0][keep].sum(axis=1), kind="stable")]  # the engine takes equal numbers of breaks
        edges = np.flatnonzero(np.diff(broke[0][order].sum(axis=1))) + 1
        for part in np.split(order, edges):
            for i in range(0, part.size, CHUNK):
                idx = part[i : i + CHUNK]
                groups = [prepare(x[idx], b[idx], family) for x, b in zip(loads, broke, strict=True)]
                for level, one in answers(cell, groups, family).items():
                    truth = np.exp(family.quantile(level[0]) / shape[idx])
                    found[level].append({key: value / truth for key, value in one.items() if key != "refused"})
                    found[level][-1]["refused"] = one["refused"]
        for level, parts in found.items():
            rows.append(summary(cell, level, {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}))
        if save is not None:
            pd.DataFrame(rows).to_csv(save, index=False)
    return pd.DataFrame(rows)


def answers(cell: Cell, groups, family) -> dict[tuple[float, float], dict[str, np.ndarray]]:
    target, lent = groups[0], from_groups(groups[1:], family)
    shared = common_scale(groups)
    conflict = None if cell.pattern == "one break" else conflict_p(target, family, lent)
    out = {}
    for p, g in cell.levels:
        w = family.quantile(p)
        if cell.pattern == "one break":
            low = np.exp(target.centre + target.scale * pooled_low(target, family, lent, p, g, QUICK))
            out[p, g] = {"borrowed": low, "refused": np.zeros(low.shape)}
            continue
        found = borrow_low(target, family, lent, p, g, conflict=conflict, grid=QUICK)
        equal = solve(build(family, shared, abs(w), 1 - g, grid=QUICK), w, 1 - g)
        out[p, g] = {
            "borrowed": found.low,
            "own": found.own,
            "equal": np.exp(target.centre + target.scale * equal),
            "refused": found.refused,
        }
    return out


def summary(cell: Cell, level: tuple[float, float], found: dict[str, np.ndarray]) -> dict[str, object]:
    size, refused = found["refused"].size, found["refused"].astype(bool)
    row: dict[str, object] = {
        "cell": cell.name,
        "target": "fixed" if cell.shapes else cell.target,
        "family": cell.family,
        "pattern": cell.pattern,
        "n": cell.n,
        "groups": cell.groups,
        "tau": cell.tau,
        "fraction_below": level[0],
        "confidence": level[1],
    }
    for key in ("borrowed", "own", "equal"):
        row[key] = round(100 * float((found[key] <= 1).mean()), 2) if key in found else np.nan
    for key in ("borrowed", "own", "equal"):
        row[f"{key}_over_truth"] = round(float(np.median(found[key])), 4) if key in found else np.nan
    row["refused"] = round(100 * float(refused.mean()), 2)
    share = float((found["borrowed"] <= 1).mean())
    return row | {"repeats": size, "error": round(100 * float(np.sqrt(max(share * (1 - share), 1e-4) / size)), 2)}


if __name__ == "__main__":
    study(int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS, save=HERE / "borrowed_scatter.csv")
