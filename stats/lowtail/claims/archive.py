"""The strength table of an archive of many files, one file at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from lowtail._shared.checks import door
from lowtail._shared.parallel import run
from lowtail._shared.tables import with_asked
from lowtail.claims.basis import Basis
from lowtail.claims.strength.table import DEFAULT_BASES, DEFAULT_BY, StrengthTable, strength_table
from lowtail.errors import InputError, MissingExtraError
from lowtail.logs.breaks.log import BreakLog, check_breaks, read_breaks
from lowtail.models.distributions.families import Family

__all__ = ["strength_table_large"]


def _read(path: Path) -> BreakLog:
    if path.suffix.lower() != ".parquet":
        return read_breaks(path)
    import pandas as pd

    try:
        frame = pd.read_parquet(path)
    except ImportError as missing:
        raise MissingExtraError("Parquet files need the extra: pip install 'lowtail[big]'.") from missing
    return check_breaks(frame)


def _one(path: Path, by: tuple[str, ...], bases: Any, family: str | Family, options: dict[str, Any]) -> Any:
    return strength_table(_read(path), by, bases, family, **options)


@door
def strength_table_large(
    paths: Iterable[str | Path],
    by: Sequence[str] | str = DEFAULT_BY,
    bases: str | Basis | Iterable[str | Basis] = DEFAULT_BASES,
    family: str | Family = "weibull",
    *,
    n_jobs: int = 1,
    progress: bool | None = None,
    **options: Any,
) -> StrengthTable:
    r"""Strength table over many break logs, in bounded memory: each file is read, answered and let go.

    Parameters
    ----------
    paths : iterable of path
        Break logs: Parquet (needs the extra ``[big]``) or any format of `read_breaks`. No group may stand in two files.
    by, bases, family, options
        As in `strength_table`; without ``borrow``, since siblings may stand in other files.
    n_jobs : int
        Worker processes; the answer does not depend on it.
    progress : bool, optional
        Show a progress bar; default only on a terminal.

    Returns
    -------
    StrengthTable
        The rows of all files, with the column ``file``.

    Raises
    ------
    InputError
        If no file is given, a group straddles files (its rows would be answered apart), or scatter is to be borrowed.

    See Also
    --------
    strength_table : one log.
    read_breaks : one file.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import lowtail as lt
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     for item in ("sling", "loop"):
    ...         rows = "".join(f"{n},{item},{n}.5,broke\n" for n in (24, 25, 26))
    ...         _ = (pathlib.Path(folder) / f"{item}.csv").write_text("specimen,item,load [kN],outcome\n" + rows)
    ...     answer = lt.many.strength_table(sorted(pathlib.Path(folder).glob("*.csv")), bases="B-basis", progress=False)
    >>> answer[["group", "n"]].values.tolist()
    [['loop', 3], ['sling', 3]]
    """
    import pandas as pd

    files = [Path(p) for p in paths]
    if not files:
        raise InputError("`paths` must name at least one break log, got none.")
    if options.get("borrow") is not None:
        raise InputError(
            "`borrow` cannot be asked of many files at once: siblings may stand in another file. Read the files into "
            "one log and ask strength_table."
        )
    columns = (by,) if isinstance(by, str) else tuple(by)
    names = bases if isinstance(bases, (str, Basis)) else tuple(bases)
    tasks = [(path, columns, names, family, options) for path in files]
    tables = run(_one, tasks, n_jobs=n_jobs, progress=progress, label="files")
    home: dict[str, Path] = {}
    for path, table in zip(files, tables, strict=True):
        table.insert(0, "file", path.name)
        for group in table["group"]:
            if group in home:
                raise InputError(
                    f"Group {group!r} stands in {home[group].name} and in {path.name}: its specimens would be answered "
                    "apart. Put all rows of a group into one file."
                )
            home[group] = path
    out = pd.concat(tables, ignore_index=True)
    return with_asked(StrengthTable, out, tables[0].asked)
