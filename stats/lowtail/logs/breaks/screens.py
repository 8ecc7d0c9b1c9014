"""Looks at a whole log for signs of a slip that no single cell shows. Screens report; they change nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.proportion import exact_interval
from lowtail._shared.sample import bound_lacks
from lowtail.logs.breaks.labels import near_labels
from lowtail.logs.cells import table as words_table
from lowtail.logs.findings import Finding
from lowtail.logs.units import from_kN, to_kN

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["grid_of", "screen"]

GROUP = ("item", "orientation", "method")
#: factors between units that testers mix up, with what each is the factor between
_FACTORS = {
    4.4482: "N and lbf, or kN and klbf",
    9.80665: "N and kgf, or kN and tf (or a shifted decimal)",
    101.97: "kN and kgf",
    224.81: "kN and lbf",
    1000.0: "kN and N",
}
_NEAR = math.log(1.2)
_USUAL, _ELSEWHERE = 4.0, 6.0  # robust standard deviations, of the group and of the others, beyond which a load stands
_EMPTY = 0.7  # apart, and the share of the way to it that must be empty
_LEAST, _MOST = 0.15, 800.0  # kN: middle loads of a whole column beyond which its unit is asked about
_USUAL_GEAR = (2.0, 150.0)  # kN: common practice, no source
_COMMON = ("kN", "N", "lbf", "kgf", "daN")
_STEPS = sorted(m * 10.0**e for m in (1, 2, 2.5, 5) for e in range(-3, 4))
_ALIENS = {"lbf": (25.0, 50.0, 100.0, 250.0, 500.0), "kgf": (5.0, 10.0, 20.0, 25.0, 50.0, 100.0)}


def screen(table: pd.DataFrame, labels: Mapping[str, Mapping[str, str]] | None = None) -> list[Finding]:
    """Every screen, in order; ``labels`` are those the caller declared."""
    before, after = (_ratios, _whole_columns, _rating_ratios, _rounding), (_reuse, _slips, _in_common, _thin_groups)
    found = [finding for step in before for finding in step(table)]
    return [*found, *near_labels(table, labels), *(finding for step in after for finding in step(table))]


def _label(values: Any) -> str:
    return ", ".join(str(v) for v in values if str(v))


def _factor_near(ratio: float, leave_out: Sequence[float] = ()) -> float | None:
    for factor in _FACTORS:
        if factor not in leave_out and abs(abs(math.log(ratio)) - math.log(factor)) < _NEAR:
            return factor
    return None


def _ratios(table: pd.DataFrame) -> Iterator[Finding]:
    """Loads that stand to the rest of their group as two units stand to each other."""
    rows = table[table["load_kN"] > 0]
    groups = rows.groupby(list(GROUP), sort=False)["load_kN"]
    middle, size = groups.transform("median"), groups.transform("size")
    middle = middle.where(
        size != 2, groups.transform("sum") - rows["load_kN"]
    )  # of two, each is held against the other
    ratio = (rows["load_kN"] / middle).to_numpy(dtype=float)
    number, y = groups.ngroup().to_numpy(), np.log(ratio)
    for i in np.flatnonzero(np.abs(y) > math.log(min(_FACTORS)) - _NEAR):
        factor = _factor_near(float(ratio[i]))
        others = (y / np.where(size == 2, math.sqrt(2), 1.0))[number != number[i]]
        if factor is not None and _stands_apart(y[number == number[i]], float(y[i]), others):
            row = rows.iloc[i]
            yield Finding(
                row["cell"],
                "load",
                "warning",
                f"{row['load_kN']:.4g} kN",
                f"is {ratio[i]:.3g} times the middle of its group ({middle.iloc[i]:.4g} kN), about the factor "
                f"between {_FACTORS[factor]}: check its unit",
            )


def _stands_apart(y: NDArray[np.float64], far: float, others: NDArray[np.float64]) -> bool:
    """Whether a load ``far`` from the middle of its group is more than scatter, in the group and in the log.

    It must lie beyond 4 robust standard deviations of its own group (ln loads ``y`` about their middle) and beyond 6 of
    the log's other groups, and most of the way to it must be empty. Two specimens show no scatter of their own.
    """
    own = _USUAL * _robust(y) if y.size > 2 else 0.0
    away = others[others != 0]  # the middle one of a group of three, five ... lies at 0 by definition
    elsewhere = _ELSEWHERE * _robust(away) if away.size else 0.0
    plain = y[np.abs(y) < math.log(min(_FACTORS)) - _NEAR]
    gap = float(np.min(np.abs(plain - far))) if plain.size else abs(far)
    return abs(far) > max(own, elsewhere) and gap > _EMPTY * abs(far)


def _robust(y: NDArray[np.float64]) -> float:
    """Standard deviation of a normal sample about 0 from the middle of its absolute values."""
    return 1.4826 * float(np.median(np.abs(y)))


def _whole_columns(table: pd.DataFrame) -> Iterator[Finding]:
    """Loads of a whole unit that lie where no gear does, and would lie where gear does in another unit."""
    for name, rows in table[table["load_kN"] > 0].groupby("unit", sort=False):
        middle = float(rows["load_kN"].median())
        if _LEAST <= middle <= _MOST or len(rows) < 3:
            continue
        number = float(rows["load"].median())
        others = [u for u in _COMMON if u != name and _USUAL_GEAR[0] <= to_kN(number, u) <= _USUAL_GEAR[1]]
        if others:
            yield Finding(
                str(rows["cell"].iloc[0]),
                "load",
                "warning",
                f"{number:,.4g} {name}",
                f"the middle load is {middle:,.3g} kN, far from the usual loads of gear; in {' or '.join(others)} it "
                "would not be: check the unit of the whole column",
            )


def _rating_ratios(table: pd.DataFrame) -> Iterator[Finding]:
    """Groups whose loads stand to their rating as two units do, but for factors that a working load may explain."""
    rows = table[(table["load_kN"] > 0) & (table["rated_kN"] > 0)]
    rows = rows.assign(ratio=rows["load_kN"] / rows["rated_kN"])
    groups = rows.groupby(list(GROUP), sort=False).agg(ratio=("ratio", "median"), cell=("cell", "first"))
    for values, ratio, cell in groups.itertuples(name=None):
        factor = _factor_near(ratio, leave_out=(4.4482, 9.80665) if ratio > 1 else ())
        if factor is not None:
            message = (
                f"loads are {ratio:.3g} times the rating in the middle, about the factor between {_FACTORS[factor]}"
            )
            yield Finding(cell, "load", "warning", _label(values), f"{message}: check the units of both")


def grid_of(values: Sequence[float] | NDArray[np.float64]) -> float | None:
    """Largest usual step (1, 2, 2.5 or 5 times a power of ten) that every value is a multiple of; None where none is.

    Examples
    --------
    >>> grid_of([22.5, 24.0, 23.5]), grid_of([22.41, 24.07])
    (0.5, 0.01)
    """
    x = np.asarray(values, dtype=float)
    for step in reversed(_STEPS):
        quotient = x / step
        whole = np.abs(quotient - np.round(quotient)) < 1e-6 * np.maximum(1.0, np.abs(quotient))
        if np.all(whole & (x >= step)):
            return float(step)
    return None


def _alien_grid(loads: np.ndarray, unit: str) -> tuple[float, str] | None:
    """Grid in another unit, shown by loads that were converted after they were read."""
    decimals = max(len(repr(float(v)).partition(".")[2].rstrip("0")) for v in loads)
    for other, steps in _ALIENS.items():
        if other == unit:
            continue
        factor = from_kN(1.0, other) / from_kN(1.0, unit)
        slack = 0.51 * 10.0**-decimals * factor
        x = loads * factor
        for step in reversed(steps):
            if step > 20 * slack and np.all(np.abs(x - step * np.round(x / step)) <= slack):
                return float(step), other
    return None


def _rounding(table: pd.DataFrame) -> Iterator[Finding]:
    """Loads recorded in steps coarser than a quarter of a group's scatter."""
    known = table[(table["load_kN"] > 0) & table["upper_kN"].isna()]
    for name, rows in known.groupby("unit", sort=False):
        unit = str(name)
        loads = rows["load"].to_numpy(dtype=float)
        if len(loads) < 6 or len(np.unique(loads)) < 3:
            continue
        step, in_unit = _alien_grid(loads[:2000], unit) or (grid_of(loads), unit)
        if step is None:
            continue
        own = step * from_kN(1.0, unit) / from_kN(1.0, in_unit)
        broke = rows[rows["broke"] & rows["used"]].groupby(list(GROUP), sort=False)
        groups = broke.agg(n=("load", "size"), scatter=("load", "std"), cell=("cell", "first"))
        for values, n, scatter, cell in groups.itertuples(name=None):
            if n >= 3 and own > scatter / 4:
                message = (
                    f"loads stand in steps of {step:g} {in_unit}, more than a quarter of this group's scatter "
                    f"({scatter:.3g} {unit}); bounds that rest on the scatter inherit the rounding. Record more digits"
                )
                yield Finding(cell, "load", "warning", _label(values), message)


def _reuse(table: pd.DataFrame) -> Iterator[Finding]:
    """Notes that say that a specimen had been loaded before."""
    words = words_table("words")["reuse"]["words"]
    for name in ("note", "condition"):
        folded = table[name].str.casefold()
        for text in folded[folded != ""].unique():
            if any(w in text for w in words):
                for _, row in table[(folded == text) & table["used"]].iterrows():
                    message = "seems to have been loaded before this test and counts as any other; exclude it if so"
                    yield Finding(row["cell"], name, "warning", row[name], message)


def _slips(table: pd.DataFrame) -> Iterator[Finding]:
    """Slips of every group that has one, with the exact interval of their share."""
    used = table[table["used"]]
    slip = used["cell"].where(used["slipped"])
    groups = (
        used.assign(slip=slip)
        .groupby(list(GROUP), sort=False)
        .agg(n=("slipped", "size"), count=("slipped", "sum"), cell=("slip", "first"))
    )
    for values, n, slipped, cell in groups[groups["count"] > 0].itertuples(name=None):
        count = int(slipped)
        low, high = exact_interval(count, n)
        message = (
            f"{count} of {n} slipped: {100 * count / n:.0f} % (95 % exact interval {100 * low:.1f} to "
            f"{100 * high:.1f} %); counted as held at the load of the slip"
        )
        yield Finding(str(cell), "outcome", "info", _label(values), message)


def _in_common(table: pd.DataFrame) -> Iterator[Finding]:
    """Groups whose rows state several uncertainties in common."""
    used = table[table["used"] & table["common_uncertainty"].notna()]
    groups = used.groupby(list(GROUP), sort=False).agg(
        n=("common_uncertainty", "nunique"),
        least=("common_uncertainty", "min"),
        most=("common_uncertainty", "max"),
        cell=("cell", "first"),
    )
    for values, _, least, most, cell in groups[groups["n"] > 1].itertuples(name=None):
        message = f"uncertainties in common from {least:g} to {most:g} % in one group; the largest counts for all of it"
        yield Finding(cell, "common_uncertainty", "warning", _label(values), message)


def _thin_groups(table: pd.DataFrame) -> Iterator[Finding]:
    """Groups that carry no bound by a fitted distribution, each with what it lacks."""
    loads = table["load_kN"].where(table["used"])
    broken, upper = loads.where(table["broke"]), table["upper_kN"].where(table["used"])
    rows = table[list(GROUP)].assign(load=loads, broken=broken, upper=upper)
    groups = rows.groupby(list(GROUP), sort=False).agg(
        n=("load", "count"), broke=("broken", "count"), different=("broken", "nunique"), between=("upper", "count")
    )
    for values, n, broke, different, between in groups.itertuples(name=None):
        if why := bound_lacks(int(n), int(broke), int(different) + (between > 0)):
            message = f"{why}. Break more, or give outside knowledge of the scatter"
            yield Finding("file", "", "warning", _label(values), message)
