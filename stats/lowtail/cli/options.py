"""Options that several commands share, each with its words once: a type to annotate the argument with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

__all__ = [
    "Area",
    "Borrow",
    "By",
    "Checks",
    "Columns",
    "Decimal",
    "Family",
    "Json",
    "Labels",
    "Log",
    "Only",
    "PulseWidth",
    "Sheet",
    "Slips",
    "TableFile",
    "Unit",
    "Units",
]

Log = Annotated[Path, Parameter(help="Break log: CSV, TSV, XLSX, XLS or ODS.")]
By = Annotated[
    list[str] | None,
    Parameter(help="Grouping columns, repeated or joined by commas. Default: item,orientation,method."),
]
Borrow = Annotated[
    list[str] | None,
    Parameter(
        help="Let groups alike in these columns (item), or all, lend each other their scatter: a bound beside the own "
        "one that never governs."
    ),
]
Family = Annotated[str, Parameter(help="Strength distribution: weibull, normal or lognormal.")]
Only = Annotated[list[str] | None, Parameter(help="Only groups whose name holds this text; repeated for several.")]
Units = Annotated[str, Parameter(help="kN, or lbf for pound-force in brackets behind every kN.")]
PulseWidth = Annotated[
    float | None,
    Parameter(help="Width of the shock pulse in ms; with the log's sampling rates it says how far peaks may read low."),
]
Sheet = Annotated[str | None, Parameter(help='Sheet of a workbook; "all" reads every sheet that looks like a log.')]
Unit = Annotated[str | None, Parameter(help="Unit of the loads where the file does not say: kN, N, daN, lbf, kgf ...")]
Decimal = Annotated[str | None, Parameter(help='Decimal mark where the file does not settle it: "." or ",".')]
Columns = Annotated[
    list[str] | None,
    Parameter(
        help='What a header means, as NAME=HEADER (load="Pull test"), NAME=LETTER where two headers read alike '
        "(load=F), "
        "or NAME==VALUE for every row (outcome==broke); repeated."
    ),
]
Labels = Annotated[
    list[str] | None,
    Parameter(help="A word to be read as another, as COLUMN:OLD=NEW (method:shok=shock); repeated."),
]
Slips = Annotated[
    str, Parameter(help="What a slip means: failure or held. Default: not stated, and the lower of both stands.")
]
Area = Annotated[
    float | None, Parameter(name="--area-mm2", help="Loaded area in mm2, where the column holds stresses (MPa, psi).")
]
Checks = Annotated[
    bool | None,
    Parameter(
        name="--checks",
        negative="--no-checks",
        help="Ask (or leave out) the checks of every group: distribution, outliers, failure modes, batches, weak link, "
        "age. Default: asked of up to 60 groups, a third of a second each.",
    ),
]
TableFile = Annotated[Path | None, Parameter(help="Write the full table to this file (.csv, .xlsx or .json) as well.")]
Json = Annotated[bool, Parameter(name="--json", help="Print JSON.")]
