"""The break log: one row a specimen, read from a file or a table in hand, with everything the reader noticed."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.choices import MARKS, DecimalMark
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SlipsMean, check_slips
from lowtail._shared.writing import check_writes
from lowtail.errors import InputError, TableError
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.build import REQUIRED, build_log
from lowtail.logs.breaks.samples import DEFAULT_BY, Samples, split
from lowtail.logs.edits import edits, row_marks
from lowtail.logs.sheets.grid import Grid, Source
from lowtail.logs.sheets.header import Header, find_header
from lowtail.logs.sheets.invisible import take_off_invisible
from lowtail.logs.sheets.sheets import read_grid
from lowtail.logs.sheets.wide import stress_advice, wide_advice
from lowtail.logs.units import STRESS_NAMES, is_stress, read_force_unit, unit_key

__all__ = ["BreakLog", "Source", "check_breaks", "read_breaks"]

Repeats = Literal["refuse", "per group", "first", "independent"]
REPEATS: tuple[str, ...] = get_args(Repeats)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BreakLog(Record):
    """A break log that has passed the door.

    Attributes
    ----------
    table : DataFrame
        One row a specimen: every canonical column, then ``load_kN``, ``broke``, ``used``, ``set_aside`` (the reason, ""
        where the row is used), ``slipped``, ``cell`` (address of the load), then the log's other columns as text.
    findings : DataFrame
        What was found in the file: cell, column, level (info, warning, error), got, message.
    source : Source
        File name, SHA-256, sheet.
    slips : str
        What a slip means in this log: "failure", "held", or "" where it is not stated.
    as_read : ndarray, shape (n,)
        A mark of every row as it was read, for ``edited``.
    """

    table: pd.DataFrame
    findings: pd.DataFrame
    source: Source
    slips: SlipsMean = ""
    as_read: NDArray[np.uint64] | None = None

    @property
    def edited(self) -> str:
        """What was changed in ``table`` since the log was read, e.g. "edited after reading: rows E3"; "" if nothing."""
        return edits(self.table, self.as_read)

    @property
    def n_rows(self) -> int:
        """Specimen rows read; always rows used plus rows set aside."""
        return len(self.table)

    @property
    def n_used(self) -> int:
        """Rows that take part."""
        return int(self.table["used"].sum())

    @property
    def n_set_aside(self) -> int:
        """Rows that take no part, each with its reason."""
        return self.n_rows - self.n_used

    @property
    def set_aside(self) -> pd.DataFrame:
        """Rows that take no part: cell, specimen, item, outcome, reason."""
        rows = self.table[~self.table["used"]]
        return rows[["cell", "specimen", "item", "orientation", "method", "outcome", "set_aside"]].reset_index(
            drop=True
        )

    @property
    def samples(self) -> Samples:
        """One sample a group of item, orientation and method, by label; rows set aside take no part.

        Examples
        --------
        >>> import pandas as pd
        >>> log = check_breaks(pd.DataFrame({"specimen": ["a", "b", "c"], "item": "sling", "method": "slow pull",
        ...                                  "load [kN]": [24.1, 25.0, 22.9], "outcome": "broke"}))
        >>> log.samples
        sling, slow pull: 3 specimens, 3 broke, 22.9 to 25 kN
        >>> log["sling, slow pull"].n
        3
        """
        return self.grouped()

    def grouped(self, by: Sequence[str] | str = DEFAULT_BY) -> Samples:
        """One sample a group of these columns, by label, in order of first appearance.

        Rows that are set aside (invalid or excluded) take no part; they stay in the log's table with their reason.

        Parameters
        ----------
        by : sequence of str
            Grouping columns, canonical names; default item, orientation, method.

        Returns
        -------
        Samples
            Labels join the grouping values with ", " (empty values left out).

        Raises
        ------
        InputError
            If a grouping column does not exist, or no row is usable.

        See Also
        --------
        Samples.where : some of the groups, by value.
        """
        return Samples(split(self, by))

    def __getitem__(self, label: str) -> Sample:
        return self.samples[label]

    def _ipython_key_completions_(self) -> list[str]:
        return list(self.samples)

    @property
    def _reads(self) -> list[str]:
        """The file that this log was read from, which no output may take the place of."""
        return [self.source.path] if self.source.path else []

    def to_csv(self, path: str | os.PathLike[str]) -> None:
        """Write the canonical log as CSV; it reads back identical. See `lowtail.logs.breaks.export.write_csv`."""
        from lowtail.logs.breaks.export import write_csv

        check_writes({"path": path}, self._reads)
        write_csv(self.table, path)

    def to_xlsx(self, path: str | os.PathLike[str]) -> None:
        """Write the canonical log as XLSX ([excel] extra); it reads back identical."""
        from lowtail.logs.breaks.export import write_xlsx

        check_writes({"path": path}, self._reads)
        write_xlsx(self.table, path)

    def to_frame(self) -> pd.DataFrame:
        """One tidy row: source, rows, used, broke, held, slipped, set aside, warnings."""
        import pandas as pd

        used = self.table[self.table["used"]]
        row = {
            "source": self.source.name,
            "n_rows": self.n_rows,
            "n_used": self.n_used,
            "n_set_aside": self.n_set_aside,
            "n_broken": int(used["broke"].sum()),
            "n_held": int((~used["broke"] & ~used["slipped"]).sum()),
            "n_slipped": int(used["slipped"].sum()),
            "n_warnings": int((self.findings["level"] == "warning").sum()),
        }
        return pd.DataFrame([row])

    def __str__(self) -> str:
        row = self.to_frame().iloc[0]
        slid = f", {row.n_slipped} slipped" if row.n_slipped else ""
        return (
            f"{self.source.name}: {row.n_rows} specimens = {row.n_used} used ({row.n_broken} broke, {row.n_held} held"
            f"{slid}) + {row.n_set_aside} set aside; {row.n_warnings} warnings"
        )

    __repr__ = __str__


@door
def read_breaks(
    path: str | os.PathLike[str],
    *,
    sheet: str | int | None = None,
    columns: Mapping[str, str] | None = None,
    unit: str | None = None,
    decimal: DecimalMark | None = None,
    labels: Mapping[str, Mapping[str, str]] | None = None,
    repeats: Repeats = "refuse",
    slips: SlipsMean = "",
    area_mm2: float | None = None,
) -> BreakLog:
    r"""Read a break log from CSV, TSV, XLSX, XLS or ODS.

    Every cell is read as its writer meant it, or refused: all bad cells are raised at once, by address. Nothing is
    dropped, filled or repaired in silence; what was read by a rule stands in ``findings``.

    Parameters
    ----------
    path : path
        The file.
    sheet : str or int, optional
        Sheet of a workbook, by name or 1-based number; needed only where several look like a break log. "all" reads
        every sheet that does, one under the other; the table then has a column ``sheet``.
    columns : mapping, optional
        Canonical column to header text, for headers that the alias table does not know: ``{"load": "Pull test"}``. A
        value that starts with ``=`` declares one value for every row: ``{"outcome": "=broke"}``. Where two headers read
        alike, name the column by its letter: ``{"load": "F"}``. ``load_held`` names a column of its own for the loads
        of specimens that held.
    unit : str, optional
        Force unit of loads (and ratings) that state none: kN, N, daN, MN, lbf, klbf, kgf, tf or ozf. It also settles
        bare kg, lb and t.
    decimal : {".", ","}, optional
        Decimal mark, where the file's own numbers do not settle it.
    labels : mapping, optional
        Words to be read as others, by column:
        ``{"orientation": {"major-axis": "major axis"}, "outcome": {"popped": "broke"}}``.
    repeats : {"refuse", "per group", "first", "independent"}
        A specimen name that stands in several used rows: refuse; allow where numbering starts again in every group; use
        the first row and set the later ones aside; or count each as a specimen of its own.
    slips : {"", "failure", "held"}
        What a slip means in this log: the specimen failed at that load, or it held at least that load. Recorded as an
        assumption; where it is not stated, the lower of both answers stands.
    area_mm2 : float, optional
        Loaded area in mm2, greater than 0, one for every specimen, where the log holds stresses (MPa, psi ...) and not
        loads. What it was used for stands in ``findings``.

    Returns
    -------
    BreakLog

    Raises
    ------
    InputError
        If an argument is not usable or the file cannot be opened.
    TableError
        If the table cannot be read; ``error.cells`` holds every bad cell.

    See Also
    --------
    check_breaks : the same from a DataFrame.
    what_it_answers : what to ask next.
    strength_table : lower bounds of every group.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import lowtail as lt
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder) / "sling.csv"
    ...     _ = file.write_text("specimen,item,load [kN],outcome\na,sling,24.1,broke\nb,sling,25.0,held\n")
    ...     log = lt.read_breaks(file)
    >>> log.n_used, log["sling"].n_broken
    (2, 1)
    """
    _check_arguments(columns, unit, decimal, labels, repeats, area_mm2)
    check_slips(slips)
    found, source = read_grid(path, sheet, columns)
    options = ReadOptions(columns, unit, decimal, labels, repeats, slips, area_mm2)
    return _log(found, source, options)


@door
def check_breaks(
    frame: pd.DataFrame,
    *,
    columns: Mapping[str, str] | None = None,
    unit: str | None = None,
    decimal: DecimalMark | None = None,
    labels: Mapping[str, Mapping[str, str]] | None = None,
    repeats: Repeats = "refuse",
    slips: SlipsMean = "",
    area_mm2: float | None = None,
) -> BreakLog:
    """Check a break log that is already a DataFrame; arguments, result and errors as in `read_breaks`.

    See Also
    --------
    read_breaks : the same from a file.
    BreakLog : what comes back.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"specimen": ["a", "b"], "item": ["sling", "sling"], "load [kN]": [24.1, 25.0],
    ...                       "outcome": ["broke", "held"]})
    >>> print(check_breaks(frame))
    table in hand: 2 specimens = 2 used (1 broke, 1 held) + 0 set aside; 1 warnings
    """
    if frame.empty:
        raise TableError("The table in hand has no rows.")
    _check_arguments(columns, unit, decimal, labels, repeats, area_mm2)
    check_slips(slips)
    head = [str(c) for c in frame.columns]
    body = frame.astype(object).where(frame.notna(), None).to_numpy().tolist()
    grid = Grid("frame", [head, *body], labels=["header", *(str(i) for i in frame.index)])
    take_off_invisible(grid)
    header = find_header(grid.rows[:1], columns)
    if header is None:
        what = stress_advice(head) or wide_advice(grid.rows)
        raise TableError(f"The table in hand needs the columns {', '.join(REQUIRED)}, got: {', '.join(head)}. {what}")
    options = ReadOptions(columns, unit, decimal, labels, repeats, slips, area_mm2)
    return _log([(grid, header)], Source("table in hand"), options)


def _check_arguments(columns: Any, unit: Any, decimal: Any, labels: Any, repeats: Any, area_mm2: Any) -> None:
    if area_mm2 is not None and not (area_mm2 > 0 and area_mm2 < float("inf")):
        raise InputError(f"`area_mm2` must be a loaded area in mm2 greater than 0, got {area_mm2!r}.")
    if unit is not None and not (area_mm2 is not None and is_stress(unit)):
        read_force_unit(unit)
    if decimal not in (None, *MARKS):
        raise InputError(f"`decimal` must be '.' or ',', got {decimal!r}.")
    if repeats not in REPEATS:
        raise InputError(f"`repeats` must be one of {', '.join(REPEATS)}, got {repeats!r}.")
    for name, header in (columns or {}).items():
        if not header.strip():
            raise InputError(f"`columns` must give a header text for {name!r}, got {header!r}.")
    allowed = BREAK_LOG["outcome"].allowed
    for name, words in (labels or {}).items():
        if name not in BREAK_LOG:
            raise InputError(f"`labels` must map columns to {{label: wanted label}}, got {name!r}: {words!r}.")
        if name == "outcome" and (wrong := [w for w in words.values() if w not in allowed]):
            raise InputError(f"`labels` reads an outcome as {wrong[0]!r}. Outcomes: {', '.join(allowed)}.")


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What the caller declared of a log, see `read_breaks`."""

    columns: Mapping[str, str] | None
    unit: str | None
    decimal: str | None
    labels: Mapping[str, Mapping[str, str]] | None
    repeats: str
    slips: SlipsMean
    area_mm2: float | None


def _log(found: Sequence[tuple[Grid, Header]], source: Source, options: ReadOptions) -> BreakLog:
    """The log of one grid, or of several sheets one under the other."""
    table, findings = build_log(
        source.name,
        found,
        columns=dict(options.columns or {}),
        unit=_unit(options),
        decimal=options.decimal,
        labels=options.labels or {},
        repeats=options.repeats,
        area_mm2=options.area_mm2,
    )
    return BreakLog(table=table, findings=findings, source=source, slips=options.slips, as_read=row_marks(table))


def _unit(options: ReadOptions) -> str | None:
    if options.unit is None:
        return None
    if options.area_mm2 is not None and is_stress(options.unit):
        return STRESS_NAMES[unit_key(options.unit)]
    return read_force_unit(options.unit)
