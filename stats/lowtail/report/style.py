"""One quiet style for every figure: safe for colour-blind readers, legible in grey, files that repeat.

Colour never stands alone: the first series is dark with round markers, the second lighter with diamonds, and so on;
a specimen that held is an open marker with an arrow towards higher loads.
"""

from __future__ import annotations

import re
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from html import escape
from io import BytesIO, StringIO
from pathlib import Path
from threading import RLock
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lowtail._shared.caution import CAUTION
from lowtail._shared.checks import door
from lowtail._shared.writing import as_bytes, check_writes, put
from lowtail.errors import InputError

__all__ = [
    "INK",
    "LBF_PER_KN",
    "Look",
    "Palette",
    "inline_svg",
    "look",
    "looks",
    "new_axes",
    "nice_ticks",
    "quiet",
    "save_figure",
    "second_axis",
]

INK = "#20272e"
MUTED = "#5c6670"
GRID = "#d9dee3"
PAPER = "#ffffff"
BAND = "#c9d6df"
WARN = "#8a2f1d"
Palette = str | Sequence[str] | Mapping[str, str]
_OFF_SCREEN: ContextVar[bool] = ContextVar("off_screen", default=False)
_ENLARGED = 1.55  # times its own size a figure may be shown on a page
LBF_PER_KN = 224.80894309971046  # 1 lbf = 4.4482216152605 N exactly


@dataclass(frozen=True, slots=True)
class Look:
    """How one series is drawn: colour and marker together, so that it can be told apart in grey."""

    colour: str
    marker: str


LOOKS = (
    Look("#174a6e", "o"),
    Look("#c2661a", "D"),
    Look("#5d7f2b", "s"),
    Look("#7a4f8f", "^"),
    Look("#7b8794", "v"),
)
_NAMED = {"slow pull": 0, "shock": 1, "weibull": 0, "normal": 1, "lognormal": 2}

_RC: dict[str, Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.facecolor": PAPER,
    "axes.axisbelow": True,
    "axes.grid": True,
    "axes.grid.axis": "x",
    "axes.unicode_minus": True,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "figure.facecolor": PAPER,
    "figure.dpi": 110,
    "savefig.dpi": 160,
    "savefig.facecolor": PAPER,
    "text.color": INK,
    "text.parse_math": False,
    "text.usetex": False,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "lines.linewidth": 1.4,
    "svg.fonttype": "none",
    "svg.hashsalt": "lowtail",
    "pdf.fonttype": 42,
}

# Hex colours of a figure that follow the page's light or dark theme when the figure stands inside the page.
_THEME = {
    INK: "var(--ink)",
    MUTED: "var(--muted)",
    GRID: "var(--rule)",
    PAPER: "var(--paper)",
    BAND: "var(--band)",
    WARN: "var(--warn)",
    **{one.colour: f"var(--series-{i + 1})" for i, one in enumerate(LOOKS)},
}


_ONE_AT_A_TIME = RLock()  # matplotlib's settings are one for all threads: who draws waits for who draws
_ALWAYS = {"text.parse_math", "text.usetex", "svg.fonttype", "svg.hashsalt", "pdf.fonttype"}


def _changed() -> set[str]:
    """Settings that are no longer matplotlib's own."""
    import matplotlib as mpl

    now: dict[Any, Any] = {**mpl.rcParams}
    own: dict[Any, Any] = {**mpl.rcParamsDefault}
    return {key for key in _RC if now[key] != own[key]}


@contextmanager
def quiet() -> Iterator[None]:
    """Draw inside this context to get lowtail's style; the reader's own matplotlib settings come back afterwards.

    What the reader has set (`seaborn.set_theme`, a style sheet) stands, except on a page and where a file's text or its
    repeating depends on it.

    A letter that the built-in font lacks is no ground for a warning: in a page the browser's own font shows it.
    """
    import warnings

    import matplotlib as mpl

    with _ONE_AT_A_TIME, warnings.catch_warnings():
        rc: Any = {k: v for k, v in _RC.items() if k in _ALWAYS or _OFF_SCREEN.get() or k not in _changed()}
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font")
        with mpl.rc_context(rc):
            try:
                yield
            finally:  # the first figure of a notebook switches this on; it must not be switched off again
                interactive = mpl.is_interactive()
        mpl.interactive(interactive)


def look(name: str, position: int = 0) -> Look:
    """Colour and marker of a series: known names keep theirs, others go by position."""
    return LOOKS[_NAMED.get(name.lower(), position % len(LOOKS))]


def looks(names: Iterable[str], palette: Palette | None = None) -> dict[str, Look]:
    """Colour and marker of each name once, in the order given; a palette gives the colours, the markers stay.

    Raises
    ------
    InputError
        If ``palette`` is no palette, or lacks a name.
    """
    each = {name: look(name, i) for i, name in enumerate(dict.fromkeys(names))}
    if palette is None:
        return each
    import seaborn as sns
    from matplotlib.colors import to_hex

    try:
        colours = (
            [palette[name] for name in each] if isinstance(palette, Mapping) else sns.color_palette(palette, len(each))
        )
        hexes = [to_hex(colour) for colour in colours]
    except (KeyError, StopIteration, ValueError) as reason:  # seaborn runs off the end of an empty palette
        raise InputError(
            f"`palette` must be a seaborn palette, or colours for all of {', '.join(map(repr, each))}; "
            f"got {palette!r:.80} ({reason}). Name one such as 'colorblind', or give each value its colour."
        ) from None
    return {name: Look(colour, one.marker) for (name, one), colour in zip(each.items(), hexes, strict=True)}


def broke(look: Look) -> dict[str, Any]:
    """Marker of a specimen that broke: filled."""
    return {
        "marker": look.marker, "markersize": 5.6, "color": look.colour, "markeredgecolor": PAPER,
        "markeredgewidth": 0.5, "gid": "broke",
    }  # fmt: skip


def between(look: Look) -> dict[str, Any]:
    """Bar of a specimen that broke between two loads."""
    return {
        "marker": "|", "markersize": 6.5, "markeredgewidth": 1.4, "color": look.colour, "linewidth": 2.2,
        "solid_capstyle": "butt", "gid": "between",
    }  # fmt: skip


def held(look: Look) -> dict[str, Any]:
    """Marker of a specimen that held: open."""
    return {
        "marker": look.marker, "markersize": 5.6, "markerfacecolor": PAPER, "markeredgecolor": look.colour,
        "markeredgewidth": 1.2, "gid": "held",
    }  # fmt: skip


def slipped(look: Look) -> dict[str, Any]:
    """Marker of a specimen that slipped out: an open triangle, no arrow, for its strength need not lie higher."""
    return {
        "marker": "v", "markersize": 6.5, "color": look.colour, "markerfacecolor": PAPER,
        "markeredgecolor": look.colour, "markeredgewidth": 1.2, "gid": "slipped",
    }  # fmt: skip


def arrow(look: Look) -> dict[str, Any]:
    """Arrow of a specimen that held: its strength lies this way."""
    from matplotlib.path import Path as Outline

    shape = Outline([(0, 0), (1, 0), (0.72, 0.2), (1, 0), (0.72, -0.2)], [1, 2, 1, 2, 2])
    return {
        "marker": shape, "markersize": 27, "markerfacecolor": "none", "markeredgecolor": look.colour,
        "markeredgewidth": 1.2, "gid": "arrow",
    }  # fmt: skip


def bound() -> dict[str, Any]:
    """Mark of a lower bound: an upright tick."""
    return {"marker": "|", "markersize": 11, "markeredgewidth": 2.2, "color": INK}


def rating() -> dict[str, Any]:
    """Line of a rating: dashed."""
    return {"linestyle": (0, (4, 2)), "color": WARN, "linewidth": 1.4}


def new_axes(ax: Axes | None, width: float = 6.6, height: float = 3.6) -> Axes:
    """Return ``ax``, or the axes of a new figure of this size in inches (laid out so that nothing is clipped)."""
    if ax is not None:
        return ax
    return new_figure(width, height).add_subplot()


def new_figure(width: float, height: float) -> Figure:
    """Return an empty figure: a pyplot one, which a notebook shows by itself, or a free one inside `off_screen`."""
    if _OFF_SCREEN.get():
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        figure = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasAgg(figure)
        return figure
    from matplotlib import pyplot

    return pyplot.figure(figsize=(width, height), layout="constrained")


@contextmanager
def off_screen() -> Iterator[None]:
    """Make figures inside this context without pyplot, so that a page of many figures leaves none open."""
    token = _OFF_SCREEN.set(True)
    try:
        yield
    finally:
        _OFF_SCREEN.reset(token)


def fixed_layout(ax: Axes, *, left: float, right: float, top: float, bottom: float) -> None:
    """Set the margins of a figure of one axes in inches, which is quicker than finding them by trial."""
    figure: Any = ax.figure
    width, height = figure.get_size_inches()
    figure.set_layout_engine("none")
    ax.set_position((left / width, bottom / height, 1 - (left + right) / width, 1 - (top + bottom) / height))


def wrap_title(title: str, width: int) -> str:
    """Break a title into at most two lines, the second cut short with dots where it must be."""
    lines = textwrap.wrap(title, width, break_long_words=True)
    if len(lines) > 2:
        lines = [lines[0], lines[1][: width - 4] + " ..."]
    return "\n".join(lines)


def nice_ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round tick values inside [low, high], also for a logarithmic load axis that spans less than a decade."""
    from matplotlib.ticker import MaxNLocator

    ticks = MaxNLocator(nbins=about, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    return [float(t) for t in ticks if low * (1 - 1e-9) <= t <= high * (1 + 1e-9) and t > 0]


def second_axis(ax: Axes) -> Any:
    """Add a pound-force scale along the top of an axes whose lower scale is in kN."""
    from matplotlib.ticker import FixedLocator, NullLocator

    ways: Any = (lambda kn: kn * LBF_PER_KN, lambda lbf: lbf / LBF_PER_KN)
    top = ax.secondary_xaxis("top", functions=ways)
    low, high = ax.get_xlim()
    top.xaxis.set_major_locator(FixedLocator(nice_ticks(max(low, 0.0) * LBF_PER_KN, high * LBF_PER_KN, 5)))
    top.xaxis.set_minor_locator(NullLocator())
    top.xaxis.set_major_formatter(lambda value, _position: f"{value:,.0f}")
    top.set_xlabel("lbf")
    return top


@door
def save_figure(figure: Figure | Axes, path: str | Path) -> Path:
    """Write a figure as .png, .svg or .pdf: real text in SVG, no dates, so that the same data give the same file.

    Raises
    ------
    InputError
        If the ending is none of the three, or the file cannot be written.

    See Also
    --------
    plot.breaks : a figure to save.
    write_report : a page with its figures.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> save_figure(Figure(), "figure.bmp")
    Traceback (most recent call last):
    ...
    lowtail.errors.InputError: A figure is written as .png, .svg or .pdf, got 'figure.bmp'.
    """
    target = Path(path)
    kind = target.suffix.lower().lstrip(".")
    metadata = {
        "png": {"Software": "lowtail", "Description": CAUTION},
        "svg": {},
        "pdf": {"CreationDate": None, "Creator": "lowtail", "Producer": "lowtail", "Subject": CAUTION},
    }
    if kind not in metadata:
        raise InputError(f"A figure is written as .png, .svg or .pdf, got {str(path)!r}.")
    check_writes({"path": target})
    if kind == "svg":
        return put(target, as_bytes(svg_text(figure), "The figure"))
    out = BytesIO()
    with quiet():
        _figure_of(figure).savefig(out, format=kind, metadata=metadata[kind])
    return put(target, out.getvalue())


def png_bytes(figure: Figure | Axes) -> bytes:
    """Return the figure as PNG bytes."""
    out = BytesIO()
    with quiet():
        _figure_of(figure).savefig(out, format="png", metadata={"Software": "lowtail", "Description": CAUTION})
    return out.getvalue()


def svg_text(figure: Figure | Axes) -> str:
    """Return the figure as a complete SVG document, without a date."""
    out = StringIO()
    with quiet():
        _figure_of(figure).savefig(
            out, format="svg", metadata={"Date": None, "Creator": "lowtail", "Description": CAUTION}
        )
    return _unique_ids(out.getvalue())


def _unique_ids(svg: str) -> str:
    """Number the ids that several artists share, since an id may stand only once in a document."""
    seen: Counter[str] = Counter()

    def number(match: re.Match[str]) -> str:
        seen[match[1]] += 1
        return match[0] if seen[match[1]] == 1 else f'id="{match[1]}-{seen[match[1]]}"'

    return _TAG_OR_STYLE.sub(lambda tag: re.sub(r'\bid="([^"]+)"', number, tag[0]), svg)


# What a figure is drawn with; texts stand between the tags, and what they say is nobody's to change.
_TAG_OR_STYLE = re.compile(r"<style\b.*?</style>|<[^>]*>", re.S)


def _in_page(tag: str, key: str) -> str:
    """A tag of a figure as it stands inside a page: ids of its own, colours of the page's theme."""
    tag = re.sub(r'\bid="([^"]+)"', rf'id="{key}-\1"', tag)
    tag = re.sub(r"url\(#([^)]+)\)", rf"url(#{key}-\1)", tag)
    tag = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'href="#{key}-\2"', tag)
    for hexa, variable in _THEME.items():
        tag = re.sub(re.escape(hexa), variable, tag, flags=re.I)
    return tag.replace("'DejaVu Sans'", "'DejaVu Sans', Verdana")


def inline_svg(figure: Figure | Axes, key: str, alt: str) -> str:
    """Return the figure as an SVG element to stand inside a page.

    Ids are made unique by ``key``, colours follow the page's theme, and ``alt`` is what a screen reader says.
    """
    svg = svg_text(figure)
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = _TAG_OR_STYLE.sub(lambda tag: _in_page(tag[0], key), svg).replace("\n", " ")
    svg = re.sub(r">\s+<(?!/text|tspan)", "><", svg)
    width, height = re.findall(r'(?:width|height)="([\d.]+)pt"', svg[: svg.index(">")])[:2]
    svg = re.sub(r'(<svg[^>]*?) width="[\d.]+pt"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[\d.]+pt"', r"\1", svg, count=1)
    widest = _ENLARGED * float(width)  # so that letters of 9 pt stay below the size of a heading
    style = f"aspect-ratio:{width}/{height};max-width:{widest:.0f}pt"
    head = f'<svg role="img" aria-label="{escape(alt, quote=True)}" style="{style}" '
    return svg.replace("<svg ", head, 1).strip()


def _figure_of(figure: Figure | Axes) -> Figure:
    owner = getattr(figure, "figure", None)
    if owner is not None and owner is not figure:
        return owner.get_figure(root=True) if hasattr(owner, "get_figure") else owner  # type: ignore[no-any-return]
    return figure  # type: ignore[return-value]
