"""Which questions a log can answer, and the call for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from lowtail._shared.checks import door
from lowtail.claims.strength.groups import DEFAULT_BY, can_answer, carries_bound
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.breaks.samples import split
from lowtail.report import phrases

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Choices", "Question", "what_it_answers"]


@dataclass(frozen=True, slots=True)
class Question:
    """One question, whether this log can answer it, why (not), and the call."""

    question: str
    can: bool
    why: str
    call: str


@dataclass(frozen=True, slots=True)
class Choices:
    """The questions of a log; shown as a list where it is printed, as a table in Jupyter."""

    questions: tuple[Question, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a question: question, can, why, call."""
        import pandas as pd

        rows = [(q.question, q.can, q.why, q.call) for q in self.questions]
        return pd.DataFrame(rows, columns=["question", "can", "why", "call"])

    def __str__(self) -> str:
        lines = []
        for q in self.questions:
            lines += [f"{'yes' if q.can else 'no ':3}  {q.question}", f"     {q.why}"]
            if q.can:
                lines.append(f"     {q.call}")
        return "\n".join(lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{'yes' if q.can else 'no'}</td><td style='text-align:left'>{escape(q.question)}<br>"
            f"<small>{escape(q.why)}</small></td><td "
            f"style='text-align:left'><code>{escape(q.call) if q.can else ''}</code>"
            "</td></tr>"
            for q in self.questions
        )
        return f"<table><tr><th>can</th><th>question</th><th>call</th></tr>{rows}</table>"


@door
def what_it_answers(log: BreakLog, by: Sequence[str] = DEFAULT_BY) -> Choices:
    """List the questions this log can answer, with the call for each, and those it cannot, with the reason.

    Parameters
    ----------
    log : BreakLog
    by : sequence of str
        Grouping columns.

    Returns
    -------
    Choices
        Prints as a list, shows as a table in Jupyter.

    Raises
    ------
    InputError
        If ``by`` names a column that the log does not have.

    See Also
    --------
    first_lines : what matters first.
    checks.can_answer : one line on the log.

    Examples
    --------
    >>> import pandas as pd
    >>> from lowtail.logs.breaks.log import check_breaks
    >>> log = check_breaks(pd.DataFrame({"specimen": ["a", "b", "c"], "item": "sling", "method": "slow pull",
    ...                                  "load [kN]": [24.1, 25.0, 22.9], "outcome": "broke"}))
    >>> print(what_it_answers(log).questions[0].why)
    Yes: 1 of 1 group carries a lower bound.
    """
    used = log.table[log.table["used"]]
    samples = split(log, by)
    answer = can_answer(log, by)
    methods = [m for m in used["method"].unique() if m]
    rated = int(used["rated_kN"].notna().sum())
    batches = sorted({b for b in used["batch"] if b})
    ages = used["age_years"].dropna().unique()
    drops = used["drop_height_m"].dropna().unique()
    parts = sorted({p for p in used["failed_part"] if p})
    most = max(samples, key=lambda s: s.n_broken)
    name = f"log[{most.label!r}]"
    two = {"slow pull", "shock"} <= set(methods)
    return Choices(
        (
            Question("How strong is each group, at least?", answer.possible, answer.sentence, "lt.strength_table(log)"),
            Question(
                "One group in depth",
                carries_bound(most),
                f"{most.label}: {most.n_broken} of {most.n} broke.",
                f"lt.lower_bound({name}, 'B-basis')",
            ),
            Question(
                "Does shock loading weaken it?",
                two,
                f"Methods in the log: {', '.join(methods) or 'none stated'}.",
                "lt.compare_table(log, other='shock', margin=0.9)",
            ),
            Question(
                "Do the data back the ratings?",
                rated > 0,
                f"{phrases.count(rated, 'row')} with a rating (rated_kN).",
                "lt.rating_check(log)",
            ),
            Question(
                "How many more to break?",
                carries_bound(most),
                "A claim and a group with breaks.",
                f"lt.plan.more_samples({name}, claim={np.floor(most.lower.min()):g})",
            ),
            Question(
                "May the batches be pooled?",
                len(batches) > 1,
                f"{phrases.count(len(batches), 'batch', 'batches')} named.",
                f"lt.checks.pooling({name})",
            ),
            Question(
                "Does strength fall with age?",
                len(ages) > 1,
                f"{phrases.count(len(ages), 'age')} in the log (age_years).",
                "lt.trend.retention(log, on='age_years')",
            ),
            Question(
                "From which drop height does it break?",
                len(drops) > 2,
                f"{phrases.count(len(drops), 'drop height')} in the log (drop_height_m).",
                "lt.drops.drop_response(log, on='drop_height_m')",
            ),
            Question(
                "Which part is the weak link?",
                len(parts) > 0,
                f"Parts that broke: {', '.join(parts) or 'none named'} (failed_part); of the "
                "test rig unless the log names an assembly (assembly).",
                "lt.parts.weak_link(log)",
            ),
            Question(
                "All of it on one page",
                answer.possible,
                "Every answer above that the log carries.",
                "lt.write_report(log, 'page.html')",
            ),
        )
    )
