"""What ended each test of a log: which part, or where on the specimen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail.claims.trend.covariate import chosen_rows
from lowtail.errors import InputError

if TYPE_CHECKING:
    from lowtail.logs.breaks.log import BreakLog

__all__ = ["assembly_of_log", "causes_of_log"]

Array = NDArray[np.float64]
BY = ("item", "orientation", "method")


def causes_of_log(
    log: BreakLog | pd.DataFrame, by: Sequence[str] | str = BY, group: str | None = None, *, column: str = "failed_part"
) -> tuple[Array, list[str], str]:
    """Loads, cause of each ending ("" where nothing broke) and the label of one group of a log.

    ``column="failed_part"``: the specimen itself is named by its ``item``, another part by ``failed_part``.
    ``column="failure_site"``: the site at which the specimen broke; another part's break only censors.

    Raises
    ------
    InputError
        If a break of another part, or (failure_site) of the specimen, does not say what or where.
    """
    rows, label = chosen_rows(log, by, group)
    if column not in ("failed_part", "failure_site") or column not in rows or "outcome" not in rows:
        raise InputError(f"`column` must be 'failed_part' or 'failure_site' and stand in the log, got {column!r}.")
    causes: list[str] = []
    for row in rows.to_dict("records"):
        text = str(row[column]).strip()
        if column == "failure_site":
            cause = text if row["broke"] else ""
            missing = bool(row["broke"]) and not text
        else:
            other = row["outcome"] == "other part broke"
            cause = str(row["item"]) if row["broke"] else (text if other else "")
            missing = other and not text
        if missing:
            raise InputError(
                f"Group '{label}': specimen {row.get('specimen', '')!r} ended with {row['outcome']!r} but its "
                f"{column!r} is empty. Fill it in: which part or where."
            )
        causes.append(cause)
    return rows["load_kN"].to_numpy(dtype=float), causes, label


def assembly_of_log(
    log: BreakLog | pd.DataFrame, by: Sequence[str] | str = BY, group: str | None = None
) -> tuple[str, list[str]]:
    """The real assembly that a group's tests speak of, and its components; ("", []) where the log names none.

    A part that broke in a row without an ``assembly`` is the test rig's.

    Raises
    ------
    InputError
        If the group names several assemblies, or one part both with and without an assembly.
    """
    rows, label = chosen_rows(log, by, group)
    if "assembly" not in rows:
        return "", []
    of = rows["assembly"].fillna("").astype(str).str.strip()
    names = sorted(set(of) - {""})
    if not names:
        return "", []
    if len(names) > 1:
        raise InputError(
            f"Group '{label}': `assembly` must name one assembly in a group, got {', '.join(map(repr, names))}. "
            "Group by that column too: by=[..., 'assembly']."
        )
    other = rows["outcome"] == "other part broke"
    inside = set(rows.loc[other & (of != ""), "failed_part"])
    both = sorted(inside & set(rows.loc[other & (of == ""), "failed_part"]))
    if both:
        raise InputError(
            f"Group '{label}': {both[0]!r} broke in rows that name the assembly {names[0]!r} and in rows that name "
            "none. Fill in `assembly` in all of them, or in none where it is a part of the test rig."
        )
    return names[0], [*sorted(set(rows["item"].astype(str))), *sorted(inside)]
