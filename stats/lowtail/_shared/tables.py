"""Tables of answers: DataFrames that know what was asked, so that nobody has to guess it from their columns."""

from __future__ import annotations

from typing import Any, ClassVar, TypeVar

import pandas as pd

__all__ = ["AnswerTable", "with_asked"]

T = TypeVar("T", bound="AnswerTable")


class AnswerTable(pd.DataFrame):
    """A DataFrame with a record of the question in ``asked``; rows and columns taken from it keep the record."""

    _metadata: ClassVar[list[str]] = ["asked"]
    asked: Any = None

    @property
    def _constructor(self) -> Any:
        return type(self)


def with_asked(kind: type[T], rows: Any, asked: Any) -> T:
    """A table of this kind from rows, or from another table, with the record of its question."""
    table = kind(rows)
    table.asked = asked
    return table
