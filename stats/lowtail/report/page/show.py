"""A table of answers as a reader should see it: rounded on the conservative side, with its columns explained."""

from __future__ import annotations

from lowtail._shared.checks import door
from lowtail.claims.comparison.table import ComparisonTable
from lowtail.claims.strength.rating import RatingTable
from lowtail.claims.strength.table import StrengthTable
from lowtail.report.page.sections_comparison import comparison_block
from lowtail.report.page.sections_strength import rating_block, strength_block
from lowtail.report.phrases import Units, check_units
from lowtail.report.tables.blocks import Table

__all__ = ["report_table"]


@door
def report_table(table: StrengthTable | RatingTable | ComparisonTable, *, units: Units = "kN") -> Table:
    """Show the result of `strength_table`, `rating_check` or `compare_table` as the page does.

    Bounds are cut down to three figures, never raised; in Jupyter each column heading says what it means.

    Parameters
    ----------
    table : StrengthTable, RatingTable or ComparisonTable
        The full, unrounded table, as it was answered; not one read back from a file.
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
    >>> import lowtail as lt, pandas as pd
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": ["a", "b", "c"], "item": "sling", "outcome": "broke",
    ...                                     "load [kN]": [24.1, 25.0, 22.9]}))
    >>> report_table(lt.strength_table(log, bases="B-basis")).caption
    'Lower bounds by group'
    """
    check_units(units)
    if isinstance(table, StrengthTable):
        return strength_block(table, units=units)
    if isinstance(table, RatingTable):
        return rating_block(table, units=units)
    return comparison_block(table[table["ratio"].notna()], units=units)
