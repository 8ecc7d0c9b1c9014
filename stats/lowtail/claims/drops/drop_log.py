"""Drops as read from a log or a plain table: severity, broke or held, one specimen a drop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail.errors import InputError

if TYPE_CHECKING:
    from lowtail.logs.breaks.log import BreakLog

__all__ = ["GRAVITY", "Drops", "read_drops"]

GRAVITY = 9.80665  # standard acceleration, m/s2: 3rd General Conference on Weights and Measures (1901)
_WORDS = {"broke": True, "held": False}


@dataclass(frozen=True, slots=True, eq=False)
class Drops:
    """Severity and outcome of every drop of one group, in the order of the log."""

    group: str
    severity: NDArray[np.float64]
    broke: NDArray[np.bool_]


def read_drops(log: BreakLog | pd.DataFrame, on: str, by: Sequence[str] | str, group: str | None) -> Drops:
    """Take one group's drops out of a log.

    Raises
    ------
    InputError
        If a column is missing, a severity is empty or not above 0, an outcome is neither broke nor held, a specimen was
        dropped more than once, or several groups are there and none is named.
    """
    table: pd.DataFrame = log if isinstance(log, pd.DataFrame) else log.table
    rows = table[table["used"]] if "used" in table else table
    rows, label = _group(rows, (by,) if isinstance(by, str) else tuple(by), group)
    severity = pd.to_numeric(_severity(rows, on), errors="coerce").to_numpy(dtype=float)
    for i in np.flatnonzero(~(np.isfinite(severity) & (severity > 0)))[:1]:
        raise InputError(
            f"Group '{label}': {_name(rows, int(i))} has no {on} above 0 (got {severity[i]!r}). Fill it in, or set the "
            "row aside on record."
        )
    if "specimen" in rows:
        repeated = rows["specimen"][rows["specimen"].duplicated()]
        if len(repeated):
            raise InputError(
                f"Group '{label}': specimen {repeated.iloc[0]!r} was dropped more than once. A part that held "
                "a drop is no longer the same part: keep its first drop only, and set the others aside on record."
            )
    return Drops(label, severity, _broke(rows, label))


def _group(rows: pd.DataFrame, columns: tuple[str, ...], group: str | None) -> tuple[pd.DataFrame, str]:
    missing = [c for c in columns if c not in rows]
    if missing:
        raise InputError(
            f"`by` names {missing[0]!r}, which the table does not have. Columns: {', '.join(rows.columns)}."
        )
    if rows.empty:
        raise InputError("The table has no drop in use.")
    if not columns:
        return rows, group or "all drops"
    label = rows[list(columns)].astype(str).apply(lambda r: ", ".join(v for v in r if v) or "all drops", axis=1)
    found = list(dict.fromkeys(label))
    if group is None and len(found) > 1:
        raise InputError(f"The table has {len(found)} groups; name one by `group=`: {'; '.join(found)}.")
    chosen = found[0] if group is None else group
    if chosen not in found:
        raise InputError(f"`group` {group!r} is not in the table. Groups: {'; '.join(found)}.")
    return rows[label == chosen], chosen


def _severity(rows: pd.DataFrame, on: str) -> Any:
    if on in rows:
        return rows[on]
    if on == "drop_energy_J" and {"drop_mass_kg", "drop_height_m"} <= set(rows.columns):
        return rows["drop_mass_kg"] * GRAVITY * rows["drop_height_m"]
    raise InputError(
        f"`on` names {on!r}, which the table does not have. Columns: {', '.join(map(str, rows.columns))}."
        + (" An energy needs drop_mass_kg and drop_height_m." if on == "drop_energy_J" else "")
    )


def _broke(rows: pd.DataFrame, label: str) -> NDArray[np.bool_]:
    if "broke" in rows:
        raw = rows["broke"].to_numpy()
        if pd.Series(raw).isin([True, False]).all():
            return np.asarray(raw, dtype=bool)
        raise InputError(f"Group '{label}': `broke` must hold True or False for every drop.")
    if "outcome" not in rows:
        raise InputError("The table needs a column `broke` (True or False) or `outcome` (broke or held).")
    words = rows["outcome"].astype(str).str.strip().str.lower()
    for i in np.flatnonzero(~words.isin(list(_WORDS)))[:1]:
        raise InputError(
            f"Group '{label}': {_name(rows, int(i))} has outcome {rows['outcome'].iloc[i]!r}; a drop either "
            "broke or held. Set the row aside where neither is known."
        )
    return words.map(_WORDS).to_numpy(dtype=bool)


def _name(rows: pd.DataFrame, i: int) -> str:
    return f"specimen {rows['specimen'].iloc[i]!r}" if "specimen" in rows else f"row {rows.index[i]}"
