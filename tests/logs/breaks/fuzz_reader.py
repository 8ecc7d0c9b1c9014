"""Coverage-guided fuzzing of the reader: ``python tests/logs/breaks/fuzz_reader.py cells|log|trace
-max_total_time=60``.

Needs ``pip install atheris`` (not among the extras: it has no wheel for every platform). Any exception other than a
refusal of lowtail's own ends the run and keeps the input. A number that is accepted must be the number written.
"""

from __future__ import annotations

import contextlib
import math
import sys
import tempfile
import warnings
from pathlib import Path


def check_cells(data: bytes) -> None:
    """A plain number is read as meant; anything else is read or refused, never another exception."""
    from lowtail.logs.cells import Refused, number_cell, parse_load

    text = data.decode("utf-8", "ignore")[:60]
    for decimal in ("", ".", ","):
        for parse in (number_cell, parse_load):
            try:
                found = parse(text, decimal)
            except Refused:
                continue
            if parse is number_cell and decimal == "." and text.isascii():
                try:
                    meant = float(text)
                except ValueError:
                    continue
                if math.isfinite(meant) and found != meant:
                    raise AssertionError(f"{text!r} read as {found!r}")


def check_file(data: bytes, reader: str, suffix: str) -> None:
    """Any bytes in a file end in an answer or in an error of lowtail."""
    import lowtail as lt

    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = Path(folder) / f"fuzz{suffix}"
        path.write_bytes(data)
        with contextlib.suppress(lt.LowtailError):
            getattr(lt, reader)(path)


def main() -> None:
    """Fuzz one of the three doors with atheris."""
    import atheris

    kind = sys.argv.pop(1)
    with atheris.instrument_imports(include=["lowtail"]):
        import lowtail.logs.breaks.log
        import lowtail.logs.cells
        import lowtail.logs.traces.trace  # noqa: F401
    doors = {
        "cells": check_cells,
        "log": lambda data: check_file(data, "read_breaks", ".csv"),
        "trace": lambda data: check_file(data, "read_trace", ".csv"),
    }
    atheris.Setup(sys.argv, doors[kind])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
