"""What a page is made of, before it becomes HTML or PDF: prose, lists, tables, pictures, folds and sections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Block", "Bullets", "Cell", "Fold", "Heading", "Picture", "Prose", "Section", "Table"]


@dataclass(frozen=True, slots=True)
class Prose:
    """A paragraph. ``kind`` is "plain", "lead" (the sentence to quote), "warn" (must be read) or "small"."""

    text: str
    kind: str = "plain"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of short statements."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Heading:
    """One column of a table: its heading, what it means, and whether it holds numbers."""

    text: str
    hint: str = ""
    number: bool = True


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text, the method behind it, and whether it wants attention ("good", "bad" or "")."""

    text: str
    hint: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption and column headings; the first column heads its row."""

    caption: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[Cell, ...], ...]
    notes: tuple[str, ...] = ()

    @classmethod
    def of(
        cls,
        caption: str,
        headings: Sequence[Heading],
        rows: Sequence[Sequence[Cell | str]],
        notes: Sequence[str] = (),
    ) -> Table:
        """Build a table from cells or plain texts."""
        cells = tuple(tuple(c if isinstance(c, Cell) else Cell(c) for c in row) for row in rows)
        return cls(caption, tuple(headings), cells, tuple(notes))


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A figure with what it shows in words (``alt``) and its caption."""

    figure: Figure | Axes
    alt: str
    caption: str


@dataclass(frozen=True, slots=True)
class Fold:
    """Details behind a line that opens them; they are printed in full."""

    summary: str
    blocks: tuple[Block, ...]


Block: TypeAlias = Prose | Bullets | Table | Picture | Fold


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the page with its anchor, its heading and its blocks."""

    key: str
    title: str
    blocks: tuple[Block, ...]
