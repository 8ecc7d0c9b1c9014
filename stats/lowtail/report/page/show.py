"""A table of answers as a reader should see it: rounded on the conservative side, with its columns explained."""

from __future__ import annotations

import pandas as pd

from lowtail._shared.checks import door
from lowtail.errors import InputError
from lowtail.report.page.sections_comparison import comparison_block
from lowtail.report.page.sections_strength import rating_block, strength_block
from lowtail.report.phrases import Units, check_units
from lowtail.report.tables.blocks import Table

__all__ = ["report_table"]


@door
def report_table(table: pd.DataFrame, *, units: Units = "kN") -> Table:
    """Show the result of `strength_table`, `rating_check` or `compare_table` as the page does.

    Bounds are cut down to three figures, never raised; in Jupyter each column heading says what it means.

    Parameters
    ----------
    table : DataFrame
        The full, unrounded table.
    units : {"kN", "lbf"}
        "lbf" adds pound-force in brackets.

    Returns
    -------
    Table
        Prints as text, shows as a table in Jupyter.

    Raises
    ------
    InputError
        If the table is none of the three, or ``units`` is unknown.

    See Also
    --------
    strength_table : lower bounds of every group.
    rating_check : ratings against the data.
    compare_table : the arms of every group.
    write_report : the whole page.

    Examples
    --------
    >>> import pandas as pd
    >>> report_table(pd.DataFrame({"load": [1.0]}))
    Traceback (most recent call last):
    ...
    lowtail.errors.InputError: `table` must come from strength_table, rating_check or compare_table, got columns: load.
    """
    check_units(units)
    columns = set(table.columns)
    if "mean_minus_3s_kN" in columns:
        return strength_block(table, units=units)
    if {"broke_below", "low_kN", "verdict"} <= columns:
        return rating_block(table, units=units)
    if {"ratio", "ratio_low_all"} <= columns:
        return comparison_block(table[table["ratio"].notna()], units=units)
    raise InputError(
        "`table` must come from strength_table, rating_check or compare_table, got columns: "
        f"{', '.join(map(str, table.columns))}."
    )
