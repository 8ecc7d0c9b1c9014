"""Force-time logs of a load cell: read one file, say what is wrong with it, keep every sample."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._shared.checks import door
from lowtail._shared.choices import DecimalMark
from lowtail.errors import InputError, TableError
from lowtail.logs.findings import Finding
from lowtail.logs.traces.blocks import read_rows
from lowtail.logs.traces.build import ReadOptions, Trace, build_trace
from lowtail.logs.traces.checks import Event
from lowtail.logs.traces.columns import Roles, TimeUnit, find_roles
from lowtail.logs.traces.layout import find_layout, open_check
from lowtail.logs.units import to_kN

__all__ = ["Event", "Trace", "check_trace", "read_trace"]

Array = NDArray[np.float64]


@door
def read_trace(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str | int | None] | None = None,
    unit: str | None = None,
    time_unit: TimeUnit | None = None,
    rate_hz: float | None = None,
    decimal: DecimalMark | None = None,
    sign: int | None = None,
    zero: Literal["quiet"] | float | None = None,
    capacity_kN: float | None = None,
    record: int | None = None,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> Trace:
    r"""Read a force-time log: delimited text with any preamble, one row a sample.

    Delimiter, decimal mark, header, unit and kind of time are found where the file states them; what it leaves open
    must be declared, and all of it stands in the findings. Nothing is smoothed, resampled, dropped or offset unasked.
    The text is read in blocks of 4 MB, so memory does not grow with it: 16 bytes a sample stay, about 45 pass through.

    Parameters
    ----------
    path : path
        CSV, TSV or other delimited text.
    columns : mapping, optional
        ``{"time": ..., "force": ..., "peak_hold": ...}``: header texts, or column numbers from 1. ``{"time": None}``
        passes over the stamps; then ``rate_hz`` is needed.
    unit : str, optional
        Unit of force where the file states none, or what a bare kg, lb, t stands for: kN, N, daN, MN, lbf, klbf, kgf,
        tf, ozf.
    time_unit : {"s", "ms", "us", "min"}, optional
        Unit of time where the header states none.
    rate_hz : float, optional
        Samples a second, for a file without stamps.
    decimal : {".", ","}, optional
        Decimal mark where the file does not decide.
    sign : {1, -1}, optional
        Which direction is the pull, where the file does not decide.
    zero : {"quiet"} or float, optional
        Subtract the quiet level before the loading, or this many kN. Default: subtract nothing, report the level.
    capacity_kN : float, optional
        Capacity of the load cell, to find clipping.
    record : int, optional
        Which record of a file whose time starts again, from 1.
    n_jobs : int
        Worker processes for large files.
    progress : bool, optional
        Progress bar on standard error; default: only on a terminal.

    Returns
    -------
    Trace

    Raises
    ------
    InputError
        If an argument or the path is not usable.
    TableError
        If the file cannot be read safely; ``error.cells`` lists bad cells.

    See Also
    --------
    trace.check_trace : the same from arrays.
    trace.peak_load : the peak.
    trace.trace_rows : several files.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder) / "pull.csv"
    ...     _ = file.write_text("Time [ms];Force [N]\n0;0\n1;2000,5\n2;9000,0\n3;100\n")
    ...     trace = read_trace(file)
    >>> trace.force_kN.tolist(), trace.rate_hz
    ([0.0, 2.0005, 9.0, 0.1], 1000.0)
    """
    file = open_check(path)
    wish = ReadOptions(rate_hz=rate_hz, sign=sign, zero=zero, capacity_kN=capacity_kN, record=record)
    layout = find_layout(file, decimal)
    roles = find_roles(file.name, layout, columns=columns, unit=unit, time_unit=time_unit)
    arrays, findings, lines = read_rows(file, layout, roles, n_jobs=n_jobs, progress=progress)
    if arrays[0].size < 3:
        raise TableError(f"Trace {file.name!r} has {arrays[0].size} sample(s); at least 3 are needed.")
    header = f"header in line {layout.header_line}" if layout.header_line else "no header"
    said = f"Data from line {layout.data_line}, {header}."
    findings = [Finding("file", "", "info", layout.says, said), *roles.findings, *findings]
    if not _ends_whole(file):
        findings.append(Finding("file", "", "info", "no line end at the end", "The last row may have been cut short."))
    for array in arrays[: len(arrays) - (roles.time is not None)]:
        _scale(array, roles.unit)
    first = layout.data_line

    def address(i: int) -> str:
        return f"line {int(lines[i]) if lines is not None else first + i}"

    time = None if roles.time is None else _seconds(file.name, arrays[-1], roles)
    return build_trace(
        file.name,
        _sha256(file),
        arrays[0],
        time,
        arrays[1] if roles.peak is not None else None,
        wish=wish,
        stated_hz=roles.stated_rate_hz,
        stated_kN=roles.capacity_kN,
        address=address,
        findings=findings,
    )


@door
def check_trace(
    force_kN: ArrayLike,
    time_s: ArrayLike | None = None,
    *,
    rate_hz: float | None = None,
    name: str = "trace",
    sign: int | None = None,
    zero: Literal["quiet"] | float | None = None,
    capacity_kN: float | None = None,
) -> Trace:
    """Take a record already in hand through the same checks as a file.

    Parameters
    ----------
    force_kN : array_like, shape (n,)
        Force in kN, finite.
    time_s : array_like, shape (n,), optional
        Time in s; without it ``rate_hz`` is needed.
    rate_hz : float, optional
        Samples a second.
    name : str
        How messages name the record.
    sign, zero, capacity_kN
        As in `read_trace`.

    Returns
    -------
    Trace

    Raises
    ------
    InputError
        If shapes differ or a value is not finite.

    See Also
    --------
    trace.read_trace : the same from a file.
    trace.peak_load : the peak.

    Examples
    --------
    >>> trace = check_trace([0, 0.1, 4.2, 9.8, 0.3, 0.1], rate_hz=1000)
    >>> trace.events[0].peak_kN
    9.8
    """
    wish = ReadOptions(rate_hz=rate_hz, sign=sign, zero=zero, capacity_kN=capacity_kN)
    force = np.array(force_kN, dtype=np.float64)
    time = None if time_s is None else np.array(time_s, dtype=np.float64)
    for what, array in (("force_kN", force), ("time_s", time)):
        if array is not None and (array.ndim != 1 or array.shape != force.shape or not np.isfinite(array).all()):
            raise InputError(f"`{what}` must be one row of {force.size} finite numbers, got shape {array.shape}.")
    if force.size < 3:
        raise InputError(f"`force_kN` must hold at least 3 samples, got {force.size}.")
    return build_trace(
        name,
        "",
        force,
        time,
        None,
        wish=wish,
        stated_hz=float("nan"),
        stated_kN=float("nan"),
        address=lambda i: f"sample {i + 1}",
        findings=[],
    )


def _seconds(name: str, raw: Array, roles: Roles) -> Array:
    """Stamps in seconds: clock times past midnight go on, a bare unit is settled by the stated rate or refused."""
    if roles.clock:
        day = np.concatenate([[0.0], np.cumsum(np.where(np.diff(raw) < -43_200, 86_400.0, 0.0))])
        return np.asarray(np.round(raw - raw[0] + day, 9), dtype=np.float64)
    if np.isfinite(roles.seconds):
        return raw * roles.seconds if roles.seconds != 1.0 else raw
    step = np.diff(raw)
    usual = float(np.median(step[step > 0])) if (step > 0).any() else float("nan")
    fits = [u for u, f in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6)) if abs(usual * f * roles.stated_rate_hz - 1) < 0.05]
    if len(fits) == 1:
        message = f"The header gives no unit of time; {fits[0]} agrees with the stated {roles.stated_rate_hz:g} Hz."
        roles.findings.append(Finding("file", "time", "warning", roles.time_name, message))
        return raw * {"s": 1.0, "ms": 1e-3, "us": 1e-6}[fits[0]]
    if usual <= 1e-3:
        message = "The header gives no unit of time; read as seconds, since milliseconds would mean over 1 MHz."
        roles.findings.append(Finding("file", "time", "warning", roles.time_name, message))
        return raw
    raise TableError(
        f"Trace {name!r}: the header {roles.time_name!r} gives no unit of time. As seconds the rate would be "
        f"{1 / usual:.4g} Hz, as milliseconds {1000 / usual:.4g} Hz. Say time_unit='s' or time_unit='ms'."
    )


def _scale(array: Array, unit: str) -> None:
    """Bring one column to kN in place; divisions keep decimal values exact where the factor is a power of ten."""
    if unit in ("N", "daN"):
        array /= {"N": 1000.0, "daN": 100.0}[unit]
    elif unit != "kN":
        array *= to_kN(1.0, unit)


def _sha256(file: os.PathLike[str]) -> str:
    with open(file, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _ends_whole(file: os.PathLike[str]) -> bool:
    with open(file, "rb") as handle:
        handle.seek(-1, os.SEEK_END)
        return handle.read(1) in (b"\n", b"\r", b"\x00")
