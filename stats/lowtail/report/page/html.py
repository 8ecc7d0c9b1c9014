"""From the blocks of a page to one self-contained HTML file: no script, no outside request, everything escaped."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from lowtail import __version__
from lowtail._shared.parallel import run
from lowtail.report.style import inline_svg, off_screen
from lowtail.report.tables.blocks import Draw, Picture, Section, keep_units, pictures_of

__all__ = ["render_html"]


def render_html(
    *,
    title: str,
    author: str,
    claim: Sequence[str],
    caution: str,
    sections: Sequence[Section],
    n_jobs: int = 1,
    progress: bool | None = None,
) -> str:
    """Write the page as HTML.

    Every text is escaped by the template engine; figures stand inline as SVG with their words for screen readers.

    Parameters
    ----------
    title, author : str
    claim : sequence of str
        The sentences of the first box.
    caution : str
        What the page is not.
    sections : sequence of Section
    n_jobs, progress
        Workers that draw the figures, and their progress bar; the page does not depend on them.

    Returns
    -------
    str
        A complete HTML document.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    folder = files("lowtail.report.page") / "templates"
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=False)
    environment.finalize = _keep_units
    template = environment.from_string((folder / "page.html").read_text(encoding="utf-8"))

    pictures = [p for section in sections for p in pictures_of(section.blocks)]
    tasks = [(p.figure, f"figure{i}", p.alt) for i, p in enumerate(pictures, start=1)]
    drawn = run(_draw, tasks, n_jobs=n_jobs, progress=progress, label="figures")
    found = {id(p): Markup(svg) for p, svg in zip(pictures, drawn, strict=True)}

    def svg(block: Picture) -> Markup:
        return found[id(block)]

    return template.render(
        title=title,
        author=author,
        claim=list(claim),
        caution=caution,
        sections=list(sections),
        css=Markup((folder / "page.css").read_text(encoding="utf-8")),
        svg=svg,
        version=__version__,
    )


def _draw(figure: Any, key: str, alt: str) -> str:
    with off_screen():
        return inline_svg(figure() if isinstance(figure, Draw) else figure, key, alt)


def _keep_units(value: Any) -> Any:
    """Keep a number and its unit on one line, in every plain text that the template prints."""
    return keep_units(value) if type(value) is str else value
