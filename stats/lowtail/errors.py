"""Errors and warnings of lowtail, the whole tree in one place.

::

    LowtailError                    everything lowtail raises on purpose
    +-- InputError (ValueError)     an argument or a value given by the caller is not usable
    |   +-- TableError              a break log or trace cannot be read; carries every bad cell
    +-- NoAnswerError (ValueError)  the data cannot carry the answer asked for; says what is missing
    +-- MissingExtraError           an optional library is needed; says which extra to install

    LowtailWarning (UserWarning)    the number stands, but the reader should doubt something
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "BadCell",
    "InputError",
    "LowtailError",
    "LowtailWarning",
    "MissingExtraError",
    "NoAnswerError",
    "TableError",
]


class LowtailError(Exception):
    """Base of every error that lowtail raises on purpose."""


class InputError(LowtailError, ValueError):
    """An argument or value given by the caller cannot be used."""


class NoSuchGroupError(InputError, KeyError):
    """No group of the log has this label."""

    __str__ = InputError.__str__


class NoAnswerError(LowtailError, ValueError):
    """The data cannot carry the answer asked for; the message says what is missing."""


class MissingExtraError(LowtailError):
    """An optional library is needed; the message says which extra brings it."""


class LowtailWarning(UserWarning):
    """The number stands, but the reader should doubt something."""


@dataclass(frozen=True, slots=True)
class BadCell:
    """One cell that stopped a table from being read.

    Attributes
    ----------
    cell : str
        Address such as ``Breaks!F9`` or ``row 9, column 'load'``.
    column : str
        Canonical column name, or the header as read.
    got : str
        What stood in the cell.
    message : str
        What is required and what to do.
    """

    cell: str
    column: str
    got: str
    message: str


class TableError(InputError):
    """A table cannot be read. ``error.cells`` holds every bad cell, all found in one pass."""

    def __init__(self, message: str, cells: Sequence[BadCell] = ()) -> None:
        self.cells: tuple[BadCell, ...] = tuple(cells)
        lines = [message, *(f"  {bad.cell}: {bad.message}" for bad in self.cells)]
        super().__init__("\n".join(lines))
