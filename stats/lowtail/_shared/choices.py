"""Words an argument can be, where several wings ask for the same ones."""

from __future__ import annotations

from typing import Literal, get_args

__all__ = ["AXES", "MARKS", "Axis", "DecimalMark"]

Axis = Literal["plain", "log"]
AXES: tuple[str, ...] = get_args(Axis)
DecimalMark = Literal[".", ","]
MARKS: tuple[str, ...] = get_args(DecimalMark)
