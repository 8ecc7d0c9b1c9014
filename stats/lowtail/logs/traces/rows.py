"""The peaks of many traces as a table, one row a file."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.parallel import run
from lowtail.errors import InputError, LowtailError, LowtailWarning, TableError
from lowtail.logs.traces.budget import LoadCell
from lowtail.logs.traces.peak import peak_load
from lowtail.logs.traces.trace import read_trace

__all__ = ["trace_rows"]

_FIELDS = (
    "peak_kN", "at_s", "broke_after", "loading_rate_kN_per_s", "width_ms", "rate_hz", "n_above_90", "under_read_kN",
    "under_read_worst_kN", "noise_lift_kN", "u_kN", "u_own_kN", "u_common_percent", "expanded_kN", "clipped",
    "peak_filtered_kN", "n_events",
)  # fmt: skip


@door
def trace_rows(
    paths: Iterable[str | os.PathLike[str]],
    *,
    cfc: int | None = None,
    cell: LoadCell | None = None,
    n_jobs: int = 1,
    progress: bool | None = None,
    **reading: Any,
) -> pd.DataFrame:
    r"""Read the peak of several traces: one row a file, in the order given.

    Parameters
    ----------
    paths : iterable of paths
        Force-time logs.
    cfc, cell
        As in `peak_load`.
    n_jobs : int
        Files read at the same time.
    progress : bool, optional
        Progress bar on standard error.
    **reading
        Passed to `read_trace` for every file, e.g. ``unit="kN"``.

    Returns
    -------
    DataFrame
        Columns file, specimen (the file's name without its ending), the fields of `PeakLoad`, method_hint, notes,
        sha256. The hint is a suggestion and fills no column of a break log.

    Raises
    ------
    TableError
        If a file cannot be read; every such file is named.

    See Also
    --------
    trace.peak_load : one record.
    trace.append_to_log : into the break log.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import lowtail as lt
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder) / "s7.csv"
    ...     force = [0] * 20 + list(range(12)) + [0] * 20
    ...     _ = file.write_text("Time [ms];Force [kN]\n" + "".join(f"{i};{f}\n" for i, f in enumerate(force)))
    ...     rows = lt.trace.trace_rows([file], progress=False)
    >>> rows[["specimen", "peak_kN"]].values.tolist()
    [['s7', 11.0]]
    """
    import pandas as pd

    files = [Path(p) for p in paths]
    if not files:
        raise InputError("`paths` must name at least one file, got none.")
    rows = run(_one, [(f, cfc, cell, reading) for f in files], n_jobs=n_jobs, progress=progress, label="traces")
    failed = [r["error"] for r in rows if "error" in r]
    if failed:
        raise TableError(f"{len(failed)} of {len(files)} trace(s) cannot be read:\n" + "\n".join(failed))
    return pd.DataFrame(rows)


def _one(file: Path, cfc: int | None, cell: LoadCell | None, reading: dict[str, Any]) -> dict[str, Any]:
    try:
        trace = read_trace(file, progress=False, **reading)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", LowtailWarning)  # the same words stand in the notes of the row
            peak = peak_load(trace, cfc=cfc, cell=cell)
    except LowtailError as exc:
        return {"error": str(exc)}
    doubts = trace.findings.loc[trace.findings["level"] != "info", "message"]
    row: dict[str, Any] = {"file": file.name, "specimen": file.stem}
    row |= {name: getattr(peak, name) for name in _FIELDS}
    row["method_hint"] = peak.method_hint
    row["notes"] = "; ".join([*peak.notes, *(m.rstrip(".") for m in doubts)])
    return row | {"sha256": trace.sha256}
