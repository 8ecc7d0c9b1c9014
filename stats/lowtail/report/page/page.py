"""The page to publish: every answer of a log in one self-contained file, and the same as PDF and tables."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from lowtail._shared.caution import CAUTION
from lowtail._shared.checks import door
from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.parallel import Seed, as_seed
from lowtail._shared.record import Record
from lowtail._shared.writing import as_bytes, put
from lowtail.claims.basis import Basis
from lowtail.claims.group_checks import asked
from lowtail.claims.strength.table import DEFAULT_BASES, DEFAULT_BY
from lowtail.errors import InputError, MissingExtraError
from lowtail.logs.breaks.log import BreakLog
from lowtail.models.distributions.families import Family
from lowtail.report import phrases
from lowtail.report.first_lines import lines_of
from lowtail.report.page.gather import Answers, ArmChoice, gather
from lowtail.report.page.html import render_html
from lowtail.report.page.pdf import NO_TYPST, render_pdf
from lowtail.report.page.sections_checks import checks_section
from lowtail.report.page.sections_comparison import comparison_section, comparison_summary
from lowtail.report.page.sections_figures import depth_section, figures_section
from lowtail.report.page.sections_log import provenance, raw, reader, tested
from lowtail.report.page.sections_plan import plan_section
from lowtail.report.page.sections_strength import rating_section, strength_section
from lowtail.report.page.sections_words import cautions_section, methods_section
from lowtail.report.phrases import Units
from lowtail.report.style import off_screen
from lowtail.report.tables.blocks import Fold, Prose, Section, published_block
from lowtail.report.tables.text import check_table_file, only_groups, table_bytes

__all__ = ["Report", "write_report"]

_BELOW = "Every check of every group stands under 'Each group in depth'."
_AS_TYPED = ("raw", "provenance")  # sections that repeat what was typed
_LEFT_OUT = ("depth", "methods", "reader", "raw")  # of the short page
_SHORT = (
    "This is the short page. The full one, made by the same command without --short, adds what each number rests on: "
    "every group in depth, methods and sources, and every row of the log."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Report(Record):
    """What was written, and the sentences at the top of it.

    Attributes
    ----------
    path : str
        The HTML page.
    pdf, table_file : str
        The PDF and the table file beside it; "" where not asked for.
    claim : tuple of str
        The sentences of the first box.
    n_groups, rows_in, rows_used, rows_set_aside : int
        Rows in are always rows used plus rows set aside.
    answers : Answers
        Tables, comparisons and plans behind the page.
    """

    path: str
    pdf: str
    table_file: str
    claim: tuple[str, ...]
    n_groups: int
    rows_in: int
    rows_used: int
    rows_set_aside: int
    answers: Answers

    def to_frame(self) -> Any:
        """One tidy row; the answers stay in the record."""
        return Record.to_frame(self).drop(columns="answers")

    def __str__(self) -> str:
        return (
            f"Page written to {self.path}: {phrases.count(self.n_groups, 'group')}, {self.rows_in} rows = "
            f"{self.rows_used} used "
            f"+ {self.rows_set_aside} set aside."
        )


@door
def write_report(
    log: BreakLog,
    path: str | Path,
    *,
    by: Sequence[str] | str = DEFAULT_BY,
    bases: Sequence[str | Basis] = DEFAULT_BASES,
    family: str | Family = "weibull",
    claim: float | None = None,
    title: str = "Strength of tested gear",
    author: str = "",
    only: Sequence[str] | None = None,
    compare: tuple[str, str, str] | None = ("method", "slow pull", "shock"),
    margin: float | None = 0.9,
    pulse_width_ms: float | None = None,
    borrow: Sequence[str] | str | None = None,
    assurance: float = 0.8,
    units: Units = "kN",
    pdf: bool = False,
    table_file: str | Path | None = None,
    command: str = "",
    rng: Seed = 0,
    checks: bool | None = None,
    short: bool = False,
    n_jobs: int | None = None,
    progress: bool | None = None,
) -> Report:
    """Write the page: the answer first, then what it rests on, down to the rows of the log.

    The page is one HTML file that needs no network and no script, prints in grey, and reads on a phone.

    Parameters
    ----------
    log : BreakLog
    path : path
        HTML file to write; its folder must exist.
    by : sequence of str
        Grouping columns.
    bases : sequence of str or Basis
        Tolerance bases to state; the rating is judged on "B-basis" if it is among them, else on the first.
    family : str or Family
        A further distribution to show beside; it never changes the bound that governs.
    claim : float, optional
        Strength in kN that every group shown is held against, instead of the ratings in the log.
    title, author : str
    only : sequence of str, optional
        Keep the groups whose name holds one of these texts; the page says so.
    compare : (column, reference, other) or None
        The two arms to compare within every group.
    margin : float, optional
        Share of the reference strength that the other arm must keep.
    pulse_width_ms : float, optional
        Width of the shock pulse; with the log's sampling rates it gives the under-read of shock peaks.
    borrow : sequence of str, optional
        As in `strength_table`. Default: "item" where it is one of several grouping columns; "none" for none.
    assurance : float
        Chance of success asked of "how many more".
    units : {"kN", "lbf"}
        "lbf" adds pound-force in brackets.
    pdf : bool
        Write a PDF beside the page (needs the extra ``pdf``).
    table_file : path, optional
        Write the table of strengths as .csv, .xlsx or .json.
    command : str
        Command line, for the provenance.
    checks : bool, optional
        Ask the checks of every group: distribution, outliers, failure modes, batches, weak link, age. They take about a
        third of a second a group. Default: asked of up to 60 groups; the page says where they were not asked.
    short : bool
        Leave out what is folded, the methods and the log: a few sheets to hand on. The numbers are the same.
    rng, n_jobs, progress
        Seed, workers, progress bar; the answers do not depend on the workers. Default: one worker for up to 30 groups
        (6 with checks), else one a core.

    Returns
    -------
    Report

    Raises
    ------
    InputError
        If an argument is not usable.

    See Also
    --------
    first_lines : the answer in a few lines.
    strength_table : the numbers behind the page.
    plot.summary : one figure of four panels.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                     "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke"}))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     report = lt.write_report(log, pathlib.Path(folder) / "page.html", short=True, checks=False, compare=None)
    ...     written = pathlib.Path(report.path).exists()
    >>> written
    True
    """
    rng = as_seed(rng)
    phrases.check_units(units)
    target, pdf_file = _outputs(log, path, pdf, table_file)
    for name, words in (("title", title), ("author", author), ("command", command)):
        as_bytes(words, f"`{name}`")
    columns = (by,) if isinstance(by, str) else tuple(by)
    shown = only_groups(log, only, by=columns)
    asking = asked(checks, shown, columns)
    jobs = _jobs(n_jobs, shown, columns, asking)
    answers = gather(
        shown, by=columns, bases=bases, family=family, claim=claim, margin=margin, pulse_width_ms=pulse_width_ms,
        arms=ArmChoice(factor=compare[0], reference=compare[1], other=compare[2]) if compare else None,
        borrow=borrow, assurance=assurance, checks=asking, rng=rng, n_jobs=jobs, progress=progress,
    )  # fmt: skip
    with off_screen():
        sections = _sections(answers, log, only, units=units, command=command, seed=rng)
        if short:
            sections = _short(sections)
        lines = _claim(answers)
        parts = {"title": title, "author": author, "claim": lines, "caution": CAUTION, "sections": sections}
        page = as_bytes(render_html(**parts, n_jobs=jobs, progress=progress), "The page")  # type: ignore[arg-type]
        made = {target: page}
        if pdf_file is not None:
            made[pdf_file] = render_pdf(**parts)  # type: ignore[arg-type]
    if table_file is not None:
        made[Path(table_file)] = table_bytes(answers.table, Path(table_file).suffix.lower(), lines)
    for place, data in made.items():
        put(place, data)
    return Report(
        path=str(target),
        pdf=str(pdf_file or ""),
        table_file=str(Path(table_file)) if table_file is not None else "",
        claim=tuple(lines),
        n_groups=len(answers.samples),
        rows_in=shown.n_rows,
        rows_used=shown.n_used,
        rows_set_aside=shown.n_set_aside,
        answers=answers,
    )


def _outputs(log: BreakLog, path: str | Path, pdf: bool, table_file: str | Path | None) -> tuple[Path, Path | None]:
    """The page and the PDF to write, refused here where one of the files cannot be written or would be lost."""
    from importlib.util import find_spec

    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"`path` must end in .html, got {str(path)!r}. For a PDF beside it pass pdf=True.")
    pdf_file = target.with_suffix(".pdf") if pdf else None
    if pdf and find_spec("typst") is None:
        raise MissingExtraError(NO_TYPST)
    reads = [log.source.path] if log.source.path else []
    check_table_file({"table_file": table_file}, reads, {"path": target, "pdf": pdf_file})
    return target, pdf_file


def _jobs(n_jobs: int | None, log: BreakLog, by: Sequence[str], checks: bool) -> int:
    """Workers asked for; by default one where a page is so short that starting more would only take time."""
    if n_jobs is not None:
        return n_jobs
    known = [c for c in by if c in log.table.columns]
    few = not known or log.table.groupby(known, dropna=False).ngroups <= (6 if checks else 30)
    return 1 if few else os.cpu_count() or 1


def _sections(
    answers: Answers, log: BreakLog, only: Sequence[str] | None, *, units: str, command: str, seed: int
) -> list[Section]:
    """The page in the order a reader asks."""
    gone = log.n_rows - answers.log.n_rows
    left_out = ""
    if only is not None and len(only) and gone:
        left_out = (
            f"This page shows only groups whose name holds {phrases.join([repr(w) for w in only])}; "
            f"{phrases.count(gone, 'row')} of other groups stand in the file and not here."
        )
    what = "the rating" if answers.claim is None else f"{phrases.force(answers.claim, units)}"
    choices = [
        f"Groups by {phrases.join(answers.by)}; main distribution {answers.family}; bases {'; '.join(answers.bases)}.",
        f"Comparison: {_arms_words(answers.arms)}.",
    ]
    why_none = "The log states no ratings (column rated_kN), and no claim was given: nothing to check."
    nothing = "Every rating checked is backed by the data in hand." if answers.ratings is not None else why_none
    checks = _section("checks", "Checks before quoting", lambda: checks_section(answers.checks))
    lead = [b for b in checks.blocks if not isinstance(b, Fold)]
    folds = [b for b in checks.blocks if isinstance(b, Fold)]
    arms = answers.arms
    wanted: list[tuple[str, str, Callable[[], Section]]] = [
        ("tested", "What was tested", lambda: tested(answers.log, left_out)),
        (
            "strength",
            "Lower bounds",
            lambda: strength_section(answers.table, units=units, bases=answers.bases, gains=answers.gains),
        ),
        (
            "figures",
            "The specimens, drawn",
            lambda: figures_section(answers.samples, answers.table, answers.basis.name, answers.lows),
        ),
    ]
    if answers.comparisons is not None and arms is not None:
        found = answers.comparisons
        wanted.append(
            (
                "compare",
                "Comparison",
                lambda: comparison_section(found, reference=arms.reference, other=arms.other, units=units),
            )
        )
    wanted += [
        (
            "rating",
            "Rating check",
            lambda: rating_section(answers.ratings, what=what, basis=answers.basis, units=units, why_none=why_none),
        ),
        (
            "plan",
            "How many more",
            lambda: plan_section(
                answers.plans, answers.out_of_reach, answers.refusals, basis=answers.basis,
                assurance=answers.assurance, nothing=nothing,
            ),
        ),
    ]  # fmt: skip
    if answers.checks:
        wanted.append(("checks", "Checks before quoting", lambda: replace(checks, blocks=(*lead, Prose(_BELOW)))))
    wanted += [
        (
            "cautions",
            "Cautions",
            lambda: cautions_section(
                answers.log, answers.samples, answers.table, checked=bool(answers.checks), troubles=answers.troubles
            ),
        ),
        (
            "depth",
            "Each group in depth",
            lambda: depth_section(
                answers.samples, answers.shared_scatter_sentences, family=answers.family, lbf=units == "lbf",
                checks={f.summary: f for f in folds},
            ),
        ),
        (
            "methods",
            "Methods and sources",
            lambda: methods_section(
                list(answers.bases.values()), family=answers.family, compared=answers.comparisons is not None,
                planned=bool(answers.plans),
            ),
        ),
        ("reader", "What was found in the file", lambda: reader(answers.log)),
        ("raw", "The log itself", lambda: raw(answers.log)),
        (
            "provenance",
            "Where this page comes from",
            lambda: provenance(answers.log, command=command, seed=seed, choices=choices),
        ),
    ]  # fmt: skip
    return [_section(*one) for one in wanted]


def _section(key: str, title: str, make: Callable[[], Section]) -> Section:
    """A section of the page; one that cannot be made says why in its place."""
    made = attempt(make, what=title)
    if isinstance(made, Trouble):
        return Section(key, title, (Prose(made.reason, "warn"),))
    return made if key in _AS_TYPED else replace(made, blocks=tuple(published_block(b) for b in made.blocks))


def _short(sections: Sequence[Section]) -> list[Section]:
    """The sections that answer, with nothing folded; the page says what it leaves out."""
    kept = [
        replace(s, blocks=tuple(b for b in s.blocks if not isinstance(b, Fold) and b != Prose(_BELOW)))
        for s in sections
        if s.key not in _LEFT_OUT
    ]
    end = kept[-1]
    return [*kept[:-1], replace(end, blocks=(*end.blocks, Prose(_SHORT, "small")))]


def _arms_words(arms: ArmChoice | None) -> str:
    return "none asked for" if arms is None else f"{arms.other} against {arms.reference} (column {arms.factor})"


def _claim(answers: Answers) -> list[str]:
    """The first lines; should they fail, the page says so and goes on."""
    lines = attempt(lambda: claim_lines(answers), what="first lines")
    return [phrases.published(line) for line in ([str(lines)] if isinstance(lines, Trouble) else lines)]


def claim_lines(answers: Answers) -> list[str]:
    """The sentences of the first box."""
    further = []
    if answers.comparisons is not None and answers.arms is not None:
        arms = answers.arms
        further.append(comparison_summary(answers.comparisons, reference=arms.reference, other=arms.other))
    return lines_of(answers.groups, answers.basis, claim=answers.claim, plans=answers.plans, further=further)
