"""What every answer has in common: a sentence, one tidy row, a small table in Jupyter."""

from __future__ import annotations

from dataclasses import fields
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from lowtail._shared.caution import CAUTION

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Record"]


class Record:
    """Base of the frozen records: subclasses write ``__str__`` (one plain sentence) and may set ``unusable``.

    ``to_frame`` gives one tidy row; fields that hold arrays or tables are left out of it unless a subclass overrides
    it.
    """

    __slots__ = ()

    @property
    def unusable(self) -> str:
        """Why the number must not be used, or an empty text where it may be."""
        return ""

    def to_frame(self) -> pd.DataFrame:
        """One tidy row whose columns are the field names."""
        import pandas as pd

        row: dict[str, Any] = {}
        for f in fields(self):  # type: ignore[arg-type]
            value = getattr(self, f.name)
            if isinstance(value, (np.ndarray, pd.DataFrame)):
                continue
            if isinstance(value, tuple):
                value = "; ".join(str(v) for v in value)
            elif isinstance(value, Record):
                value = str(value)
            row[f.name] = value
        return pd.DataFrame([row])

    def __str__(self) -> str:
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self}>"

    def _repr_html_(self) -> str:
        row = self.to_frame().iloc[0]
        cells = "".join(
            f"<tr><th scope='row' style='text-align:left'>{escape(str(k))}</th>"
            f"<td style='text-align:left'>{escape(_show(v))}</td></tr>"
            for k, v in row.items()
        )
        warn = (
            f"<p style='color:#b00020;font-weight:bold'>Do not use this number: {escape(self.unusable)}</p>"
            if self.unusable
            else ""
        )
        end = f"<p><small>{escape(CAUTION)}</small></p>"
        return f"<div>{warn}<p>{escape(str(self))}</p><table>{cells}</table>{end}</div>"


def _show(value: Any) -> str:
    if isinstance(value, (float, np.floating)):
        return f"{float(value):.4g}"
    return "" if value is None else str(value)
