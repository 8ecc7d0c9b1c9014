"""The column against which strength is set: numbers, their logarithm, or two words; and the range that was tested."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, overload

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.choices import AXES
from lowtail._shared.sample import refuse_beyond_loads
from lowtail.errors import InputError, NoAnswerError
from lowtail.glossary import spoken

if TYPE_CHECKING:
    from lowtail.logs.breaks.log import BreakLog

__all__ = ["Covariate", "chosen_rows", "read_covariate", "with_others"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Covariate:
    """One column, ready for a regression; ``value`` (n,) as recorded, ``design`` (n, 2) with the column of ones.

    Further columns stand behind in ``design`` (n, 2 + q); their settings ``beside`` (q,) are the same in every `row`.
    """

    on: str
    axis: str
    value: Array
    design: Array
    levels: tuple[str, ...] = ()
    beside: Array = field(default_factory=lambda: np.empty(0))

    @property
    def flat(self) -> Array:
        """Design without the column itself: no trend."""
        return np.delete(self.design, 1, axis=1)

    @property
    def settings(self) -> int:
        """Different settings."""
        return int(np.unique(self.value).size)

    @property
    def highest(self) -> float | str:
        """Highest setting tested; the second word for two words."""
        return self.levels[1] if self.levels else float(self.value.max())

    @property
    def tested(self) -> str:
        """The tested range in words."""
        if self.levels:
            return " and ".join(self.levels)
        name, unit, _ = spoken(self.on)
        return f"{name} from {self.value.min():g} to {self.value.max():g} {unit}".rstrip()

    def reach(self, extrapolate: bool) -> tuple[float, float]:
        """Range in which something is stated: tested, or one range further where extrapolation is allowed."""
        low, high = float(self.value.min()), float(self.value.max())
        return (low, high + (high - low)) if extrapolate else (low, high)

    def row(self, at: float | str, extrapolate: bool) -> Array:
        """Design row at a setting.

        Raises
        ------
        InputError
            If it is no setting of this column, or lies outside the tested range without ``extrapolate``.
        """
        if self.levels:
            if at not in self.levels:
                raise InputError(
                    f"`at` must be one of {', '.join(map(repr, self.levels))} for {self.on!r}, got {at!r}."
                )
            return np.append([1.0, float(self.levels.index(str(at)))], self.beside)
        if isinstance(at, str) or not np.isfinite(at) or (self.axis == "log" and at <= 0):
            raise InputError(f"`at` must be a number for {self.on!r}{' above 0' * (self.axis == 'log')}, got {at!r}.")
        low, high = float(self.value.min()), float(self.value.max())
        if not extrapolate and not low <= at <= high:
            side = f"above {high:g}" if at > high else f"below {low:g}"
            raise InputError(
                f"`at` = {at:g} lies outside what was tested: no specimen has {self.on} {side}. Test some there, or "
                "pass extrapolate=True and say so beside the number."
            )
        return np.append([1.0, np.log(at) if self.axis == "log" else at], self.beside)

    def warnings(self, at: float | str) -> tuple[str, ...]:
        """What a reader must know of the setting asked for."""
        notes = []
        if not self.levels and not isinstance(at, str) and not self.value.min() <= at <= self.value.max():
            notes.append(f"Extrapolated: no specimen lies outside {self.tested}; the line beyond is a guess.")
        if not self.levels and self.settings == 2:
            notes.append("Only 2 settings were tested: whether strength falls along a straight line cannot be seen.")
        return tuple(notes)


def read_covariate(rows: pd.DataFrame, on: str, axis: str, who: str) -> Covariate:
    """Turn a column of the chosen rows into a Covariate.

    Raises
    ------
    InputError
        If the column does not exist, has empty cells, more than two words, or a number that is not above 0 on a log
        axis.
    NoAnswerError
        If every specimen has the same setting, or none has any.
    """
    if axis not in AXES:
        raise InputError(f"`axis` must be 'plain' or 'log', got {axis!r}.")
    if on not in rows.columns:
        raise InputError(
            f"`on` names {on!r}, which the log does not have. Columns: {', '.join(map(str, rows.columns))}."
        )
    raw = rows[on]
    empty = raw.isna() | (raw.astype(str).str.strip() == "")
    if empty.all():
        raise NoAnswerError(f"{who}: no specimen has {on!r}, so no trend can be seen. Record it in the log.")
    if empty.any():
        name = rows["specimen"][empty].iloc[0] if "specimen" in rows else rows.index[empty][0]
        raise InputError(
            f"{who}: {int(empty.sum())} of {len(rows)} specimens have no {on!r} (first: {name}). Fill it in, or "
            "exclude them with the reason on record."
        )
    value = pd.to_numeric(raw, errors="coerce").to_numpy(dtype=float)
    if not np.isfinite(value).all():
        return _two_words(raw.astype(str).str.strip(), on, axis, who)
    if np.unique(value).size < 2:
        raise NoAnswerError(f"{who}: every specimen has {on} = {value[0]:g}: no trend can be seen. Test another one.")
    if axis == "log" and (value <= 0).any():
        raise InputError(f"{who}: {on!r} must be above 0 on a log axis, got {value.min():g}. Use axis='plain'.")
    x = np.log(value) if axis == "log" else value
    return Covariate(on=on, axis=axis, value=value, design=np.column_stack([np.ones(x.size), x]))


def with_others(
    main: Covariate, rows: pd.DataFrame, others: Mapping[str, float | str], extrapolate: bool, who: str
) -> Covariate:
    """The same column with others beside it in the design, each held at its setting.

    Raises
    ------
    InputError
        If a column is named twice, cannot be read, its setting is out of range, or it follows from the others.
    NoAnswerError
        If a column has one setting only.
    """
    for on, at in others.items():
        if on == main.on:
            raise InputError(f"`others` names {on!r}, which is `on` already. Name further columns only.")
        other = read_covariate(rows, on, "plain", who)
        main = replace(
            main,
            design=np.column_stack([main.design, other.design[:, 1]]),
            beside=np.append(main.beside, other.row(at, extrapolate)[1]),
        )
    if np.linalg.matrix_rank(main.design) < main.design.shape[1]:
        raise InputError(
            f"{who}: {', '.join((main.on, *others))} follow from each other in the specimens tested, so that their "
            "effects cannot be told apart. Leave one out of `others`, or test other combinations."
        )
    return main


def _two_words(raw: pd.Series[str], on: str, axis: str, who: str) -> Covariate:
    levels = tuple(dict.fromkeys(raw))
    if len(levels) == 1:
        raise NoAnswerError(f"{who}: every specimen has {on} = {levels[0]!r}: no trend can be seen. Test another one.")
    if len(levels) != 2:
        raise InputError(
            f"{who}: {on!r} must hold numbers or exactly two words, got {len(levels)}: "
            f"{', '.join(map(repr, levels[:6]))}. Correct the cells, or split the group by it."
        )
    if axis == "log":
        raise InputError(f"{who}: {on!r} holds words, which have no log axis. Use axis='plain'.")
    value = np.asarray(raw == levels[1], dtype=np.float64)
    design = np.column_stack([np.ones(value.size), value])
    return Covariate(on=on, axis="levels", value=value, design=design, levels=levels)


@overload
def chosen_rows(
    log: BreakLog | pd.DataFrame, by: Sequence[str] | str, group: str | None, *, every: Literal[False] = False
) -> tuple[pd.DataFrame, str]: ...
@overload
def chosen_rows(
    log: BreakLog | pd.DataFrame, by: Sequence[str] | str, group: str | None, *, every: Literal[True]
) -> tuple[pd.DataFrame, list[str]]: ...
def chosen_rows(
    log: BreakLog | pd.DataFrame, by: Sequence[str] | str, group: str | None, *, every: bool = False
) -> tuple[pd.DataFrame, str] | tuple[pd.DataFrame, list[str]]:
    """Rows in use of one group and its label; or, with ``every``, all rows in use and all labels in order.

    Raises
    ------
    InputError
        If a grouping column does not exist, the group does not, or none is named where there are several.
    """
    table = log if isinstance(log, pd.DataFrame) else log.table
    columns = [by] if isinstance(by, str) else list(by)
    needed = [*columns, "load_kN", "broke", "used"]
    missing = [c for c in needed if c not in table.columns]
    if missing:
        raise InputError(f"The log has no column {missing[0]!r}. Read it by read_breaks or check_breaks first.")
    used = table[table["used"]]
    if used.empty:
        raise InputError("The log has no usable row: every specimen is set aside. See the log's findings.")
    parts = used[columns].astype(str).apply(lambda r: ", ".join(v for v in r if v) or "all specimens", axis=1)
    labels = list(dict.fromkeys(parts)) if columns else ["all specimens"]
    if every:
        return used, labels
    if group is None and len(labels) > 1:
        raise InputError(
            f"The log has {len(labels)} groups by {', '.join(columns)}; name one: group={labels[0]!r}, or use "
            "by=() to take all together."
        )
    label = labels[0] if group is None else group
    if label not in labels:
        raise InputError(f"`group` {group!r} is not in the log. Groups: {'; '.join(labels)}.")
    rows = used[parts == label] if columns else used
    between = int(rows["upper_kN"].notna().sum()) if "upper_kN" in rows else 0
    common = rows["common_uncertainty"].max() if "common_uncertainty" in rows else 0.0
    refuse_beyond_loads(f"Group '{label}'", between, 0.0 if common != common else common / 100, "this answer")
    return rows, label
