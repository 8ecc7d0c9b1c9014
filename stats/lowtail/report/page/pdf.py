"""The same page as a PDF, typeset by typst from the same blocks: the same numbers, headings and order."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from lowtail import __version__
from lowtail.errors import MissingExtraError
from lowtail.report.style import off_screen, svg_text
from lowtail.report.tables.blocks import Block, Bullets, Draw, Fold, Picture, Prose, Section, Table, keep_units

__all__ = ["NO_TYPST", "render_pdf"]

NO_TYPST = "A PDF needs typst: pip install 'lowtail[pdf]', or print the HTML page."

_WIDTH_MM, _HEIGHT_MM, _IN_FOLDS_MM = 176.0, 215.0, 116.0  # a figure's greatest width and height; its width in a fold
_HEAD = """\
#set document(title: {title}, author: {author}, date: none)
#set page(paper: "a4", margin: (x: 17mm, y: 18mm), footer: context [
  #set text(size: 7.5pt, fill: rgb("#5c6670"))
  #{foot} #h(1fr) #counter(page).display("1 / 1", both: true)
])
#set text(font: "DejaVu Sans", size: 8.5pt, fill: rgb("#20272e"), lang: "en")
#set par(leading: 0.62em, spacing: 0.9em)
#let rule(x, y) = (bottom: if y == 0 {{ 1pt + rgb("#20272e") }} else {{ 0.5pt + rgb("#d9dee3") }})
#set table(stroke: rule, inset: 3.5pt)
#show heading.where(level: 1): set text(size: 17pt)
#show heading.where(level: 2): it => block(above: 1.9em, below: 0.9em, sticky: true, text(size: 12.5pt, it.body))
#show heading.where(level: 3): it => block(above: 1.3em, below: 0.7em, sticky: true, text(size: 9.5pt, it.body))
#show heading.where(level: 4): it => block(above: 1em, below: 0.6em, sticky: true, text(size: 8.5pt, it.body))
#let small(body) = text(size: 7.5pt, fill: rgb("#5c6670"), body)
#let barred(colour, body) = block(stroke: (left: 3pt + rgb(colour)), inset: (left: 9pt, y: 3pt), width: 100%, body)
"""


def render_pdf(*, title: str, author: str, claim: Sequence[str], caution: str, sections: Sequence[Section]) -> bytes:
    """Typeset the page as PDF.

    Parameters
    ----------
    title, author, claim, caution, sections
        As for `render_html`.

    Returns
    -------
    bytes

    Raises
    ------
    MissingExtraError
        If typst is not installed.
    """
    try:
        import typst
    except ImportError as exc:
        raise MissingExtraError(NO_TYPST) from exc
    import matplotlib

    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    with tempfile.TemporaryDirectory() as folder:
        lines = [
            _HEAD.format(
                title=text(title),
                author=f"({text(author)},)" if author else "()",
                foot=text(f"{title}  ·  lowtail {__version__}"),
            )
        ]
        lines.append(f"#heading(level: 1, {text(title)})")
        if author:
            lines.append(f"#small({text(author)})")
        lines += [f'#barred("#174a6e", text(size: 10pt, {text(line)}))' for line in claim]
        lines.append(f'#barred("#8a2f1d", {text(caution)})')
        for section in sections:
            lines.append(f"#heading(level: 2, {text(section.title)})")
            for block in section.blocks:
                lines += _block(block, Path(folder))
        source = Path(folder) / "page.typ"
        source.write_text("\n\n".join(lines), encoding="utf-8")
        compiled: Any = typst
        data: bytes = compiled.compile(str(source), root=folder, font_paths=[str(fonts)])
    return data


def text(value: str) -> str:
    r"""Quote a text as a typst string, so that nothing in it is run as markup.

    Examples
    --------
    >>> print(text('a "b" \\ #c'))
    "a \"b\" \\ #c"
    """
    clean = keep_units("".join(c if c.isprintable() or c == "\n" else " " for c in value))
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def _block(block: Block, folder: Path, width: float = _WIDTH_MM) -> Iterator[str]:
    if isinstance(block, Prose):
        body = text(block.text)
        yield {
            "lead": f"#text(size: 10pt, {body})", "warn": f'#barred("#8a2f1d", {body})', "small": f"#small({body})",
            "head": f"#heading(level: 4, {body})",
        }.get(block.kind, f"#par({body})")  # fmt: skip
    elif isinstance(block, Bullets):
        yield "#list(" + ", ".join(text(item) for item in block.items) + ")"
    elif isinstance(block, Table):
        yield _table(block)
    elif isinstance(block, Picture):
        number = len(list(folder.glob("*.svg")))
        name = f"figure_{number}.svg"
        with off_screen():
            figure = block.figure() if isinstance(block.figure, Draw) else block.figure
            svg = svg_text(figure)
        (folder / name).write_text(svg, encoding="utf-8")
        across, down = (float(v) for v in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups())  # type: ignore[union-attr]
        drawn = min(width, _HEIGHT_MM * across / down)
        yield (
            f'#block(breakable: false, width: 100%)[#image("{name}", width: {drawn:.1f}mm, height: auto, alt: '
            f"{text(block.alt)})\n"
            f"#small({text(block.caption)})]"
        )
    elif isinstance(block, Fold):
        yield f"#heading(level: 3, {text(block.summary)})"
        for inner in block.blocks:
            yield from _block(inner, folder, width=_IN_FOLDS_MM)


def _table(table: Table) -> str:
    words = [not h.number for h in table.headings]
    columns = ", ".join(f"{wide}fr" for wide in _widths(table))
    align = ", ".join("left" if word else "right" for word in words)
    size = 7.5 if len(words) <= 7 else 6.3 if len(words) <= 11 else 5.4
    head = ", ".join(f"strong({text(h.text)})" for h in table.headings)
    body = ",\n".join(", ".join(text(cell.text) for cell in row) for row in table.rows)
    notes = "".join(f"\n#small({text(note)})\n" for note in table.notes)
    return (
        f"#block(sticky: true, strong({text(table.caption)}))\n"
        f"#text(size: {size}pt)[#set par(leading: 0.5em)\n#table(columns: ({columns},), align: ({align},), "
        f"table.header({head}),\n{body})]{notes}"
    )


def _widths(table: Table) -> list[int]:
    """Shares of the line: what a column's numbers and longest words need, and up to 44 letters of its prose."""
    wide = []
    for heading, column in zip(table.headings, zip(*table.rows, strict=True), strict=True):
        longest = max((len(cell.text) for cell in column), default=0)
        word = max(len(w) for w in [*heading.text.split(), " "])
        wide.append(max(4, round(1.2 * word), longest if heading.number else min(longest, 44)) + 2)
    return wide
