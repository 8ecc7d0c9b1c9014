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

__all__ = ["causes_of_log"]

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
