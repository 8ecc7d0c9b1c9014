"""Does each group meet its rating? The rated values of a log against its data, a row a group."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.sample import SlipsMean
from lowtail._shared.tables import AnswerTable
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.groups import DEFAULT_BY, GroupStrength, group_strengths
from lowtail.errors import InputError
from lowtail.logs.breaks.log import BreakLog

__all__ = ["DEFAULT_BY", "RatingTable", "rating_check", "rating_frame"]


class RatingTable(AnswerTable):
    """The table of `rating_check`: a DataFrame."""


@door
def rating_check(
    log: BreakLog | pd.DataFrame,
    by: Sequence[str] | str = DEFAULT_BY,
    rated: str = "rated_kN",
    basis: str | Basis = "B-basis",
    *,
    claim: float | None = None,
    slips: SlipsMean | None = None,
) -> RatingTable:
    """Rated value against the data, in words, one row a group.

    Parameters
    ----------
    log : BreakLog or DataFrame
    by : sequence of str
    rated : str
        Column with the rating in kN; one value a group.
    basis : str or Basis
        Judged by the bound that governs (`governing`); a basis without content and confidence is judged in its own
        words and says what it demonstrates.
    claim : float, optional
        One strength in kN asked of every group, in place of the ratings in the log.
    slips : str, optional
        What a slip means, see `governing`.

    Returns
    -------
    RatingTable
        A DataFrame: group, the grouping columns, n, n_broken, n_slipped, rated_kN, low_kN (the governing bound),
        governed_by, these_batches_kN, next_batch_kN, confidence (already demonstrated, for specimens like these),
        broke_below, slipped_below, verdict, sentence; groups without a rating are left out.

    Raises
    ------
    InputError
        If the log has no ``rated`` column or no group has a rating, and no claim is given.

    See Also
    --------
    judge : one group.
    governing : the rule behind the verdict.
    report_table : this table as the page shows it.

    Examples
    --------
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                     "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke",
    ...                                     "rated [kN]": 15.0}))
    >>> check = lt.rating_check(log)
    >>> check[["group", "rated_kN", "verdict"]].values.tolist()
    [['sling, slow pull', 15.0, 'batch not recorded: backed for specimens like these']]
    """
    table: Any = getattr(log, "table", log)
    asked = get_basis(basis)
    if claim is None and (rated not in table.columns or table.loc[table["used"], rated].isna().all()):
        raise InputError(
            f"The log has no rating: column {rated!r} is missing or empty. Fill it in kN, or name another."
        )
    groups = group_strengths(log, by, (asked,), rated=rated, rating_basis=asked, claim=claim, slips=slips)
    return rating_frame(groups)


def rating_frame(groups: Sequence[GroupStrength]) -> RatingTable:
    """The rows of `rating_check` from groups already judged."""
    rows: list[dict[str, Any]] = []
    for group in groups:
        if (one := group.judged) is None:
            continue
        sample = group.sample
        rows.append({"group": sample.label, **sample.group, "n": sample.n, "n_broken": sample.n_broken})
        rows[-1] |= {
            "n_slipped": sample.n_slipped,
            "rated_kN": one.rating,
            "low_kN": one.low,
            "governed_by": one.governed_by,
            "these_batches_kN": one.these_batches,
            "next_batch_kN": one.next_batch,
            "confidence": one.confidence,
            "broke_below": one.broke_below,
            "slipped_below": one.slipped_below,
            "verdict": str(one.verdict),
            "sentence": one.sentence,
        }
    return RatingTable(rows)
