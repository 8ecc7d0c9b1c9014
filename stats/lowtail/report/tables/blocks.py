"""What a page is made of, before it becomes HTML or PDF: prose, lists, tables, pictures, folds and sections."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, TypeAlias

from lowtail._shared.caution import CAUTION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "Block",
    "Bullets",
    "Cell",
    "Draw",
    "Fold",
    "Heading",
    "Picture",
    "Prose",
    "Section",
    "Table",
    "keep_units",
    "pictures_of",
    "published_block",
    "terminal_width",
    "text_table",
]


@dataclass(frozen=True, slots=True)
class Prose:
    """A paragraph: "plain", "lead" (the sentence to quote), "warn" (must be read), "small", or "head" (a heading)."""

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


@dataclass(frozen=True, slots=True, repr=False)
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

    def __str__(self) -> str:
        return text_table(self, 120)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        align = ["right" if h.number else "left" for h in self.headings]
        head = "".join(
            f"<th style='text-align:{side}' title='{escape(h.hint, quote=True)}'>{escape(h.text)}</th>"
            for h, side in zip(self.headings, align, strict=True)
        )
        body = "".join(
            "<tr>"
            + "".join(
                f"<td style='text-align:{side}' title='{escape(c.hint, quote=True)}'>{escape(c.text)}</td>"
                for c, side in zip(row, align, strict=True)
            )
            + "</tr>"
            for row in self.rows
        )
        notes = "".join(f"<p><small>{escape(note)}</small></p>" for note in self.notes)
        caption = f"<caption>{escape(self.caption)}</caption>"
        end = f"<p><small>{escape(CAUTION)}</small></p>"
        return f"<table>{caption}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{notes}{end}"


@dataclass(frozen=True, slots=True, eq=False)
class Draw:
    """A figure to be drawn when the page is written, perhaps by a worker: a plot function and its arguments."""

    plot: Callable[..., Figure | Axes]
    arguments: tuple[Any, ...] = ()
    options: Mapping[str, Any] = field(default_factory=dict)

    def __call__(self) -> Figure | Axes:
        """Draw it; a figure that cannot be drawn says so in its place, and the page goes on."""
        from lowtail._shared.guard import Trouble, attempt

        drawn = attempt(lambda: self.plot(*self.arguments, **self.options), what="figure not drawn")
        return _say(str(drawn)) if isinstance(drawn, Trouble) else drawn


def _say(text: str) -> Axes:
    """A figure of words alone."""
    import textwrap

    from lowtail.report import style

    with style.quiet():
        ax = style.new_axes(None, 6.9, 1.2)
        ax.set_axis_off()
        ax.text(0.5, 0.5, textwrap.fill(text, 90), ha="center", va="center", color=style.MUTED, transform=ax.transAxes)
    return ax


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A figure with what it shows in words (``alt``) and its caption."""

    figure: Figure | Axes | Draw
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


def published_block(block: Block) -> Block:
    """The block without sentences that speak to whoever types arguments."""
    from lowtail.report.phrases import published

    match block:
        case Prose():
            return Prose(published(block.text), block.kind)
        case Bullets():
            return Bullets(tuple(published(item) for item in block.items))
        case Table():
            rows = tuple(tuple(Cell(published(c.text), published(c.hint), c.mark) for c in row) for row in block.rows)
            return Table(block.caption, block.headings, rows, tuple(published(n) for n in block.notes))
        case Fold():
            return Fold(block.summary, tuple(published_block(b) for b in block.blocks))
    return block


def pictures_of(blocks: Sequence[Block]) -> Iterator[Picture]:
    """Every picture among the blocks and inside their folds, in order."""
    for block in blocks:
        if isinstance(block, Picture):
            yield block
        elif isinstance(block, Fold):
            yield from pictures_of(block.blocks)


def keep_units(text: str) -> str:
    """Put a space that does not break between a number and its unit."""
    return re.sub(r"(?<=\d) (?=(?:%|kN|lbf|mm|kg|Hz|m)(?:\W|$))", "\u00a0", text)


def text_table(table: Table, width: int = 100) -> str:
    """Write a table block as plain text for a terminal; long words wrap inside their column.

    Examples
    --------
    >>> print(text_table(Table.of("Breaks", [Heading("group", number=False), Heading("n")], [["sling", "5"]])))
    Breaks
    group  n
    -----  -
    sling  5
    """
    heads = [h.text for h in table.headings]
    rows = [[c.text for c in row] for row in table.rows]
    least = [
        max((len(w) for w in h.split()), default=0) if t.number else len(h)
        for h, t in zip(heads, table.headings, strict=True)
    ]
    widest = [max([least[i], *(len(r[i]) for r in rows)]) for i in range(len(heads))]
    if sum(widest) + 2 * len(widest) > width:
        words = [i for i, h in enumerate(table.headings) if not h.number and widest[i] > 18]
        room = width - 2 * len(widest) - sum(w for i, w in enumerate(widest) if i not in words)
        share = max(18, room // max(len(words), 1))
        widest = [min(w, share) if i in words else w for i, w in enumerate(widest)]
    lines = [table.caption, *_text_row(heads, widest, table), "  ".join("-" * w for w in widest)]
    for row in rows:
        lines += _text_row(row, widest, table)
    lines += [textwrap.fill(note, width, initial_indent="  * ", subsequent_indent="    ") for note in table.notes]
    return "\n".join(lines)


def terminal_width() -> int:
    """Columns of the terminal, at least 80; 120 where there is none, as in a pipe."""
    import shutil

    return max(80, shutil.get_terminal_size((120, 24)).columns)


def _text_row(row: Sequence[str], widths: Sequence[int], table: Table) -> list[str]:
    cells = [textwrap.wrap(text, width) or [""] for text, width in zip(row, widths, strict=True)]
    lines = []
    for i in range(max(len(c) for c in cells)):
        parts = []
        for cell, width, heading in zip(cells, widths, table.headings, strict=True):
            text = cell[i] if i < len(cell) else ""
            parts.append(text.rjust(width) if heading.number else text.ljust(width))
        lines.append("  ".join(parts).rstrip())
    return lines
