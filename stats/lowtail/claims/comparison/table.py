"""The same comparison in every group of a log, with p values and intervals adjusted for their number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_seed, run, seeds
from lowtail._shared.sample import Sample
from lowtail._shared.tables import AnswerTable, with_asked
from lowtail.claims.comparison.answer import Comparison
from lowtail.claims.comparison.compare import compare
from lowtail.claims.comparison.deciding import Difference
from lowtail.claims.comparison.designs import answer_blocks, answer_pairs
from lowtail.claims.comparison.joint import Joint, joint_of
from lowtail.claims.comparison.typical import typical_law
from lowtail.errors import InputError, NoAnswerError
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.breaks.samples import split
from lowtail.logs.traces.under_read import under_read_flank
from lowtail.models.two_samples.t_tests import holm

__all__ = ["ComparisonAsked", "ComparisonTable", "compare_table", "under_read_of"]

BREAK_SHARE = 0.8  # a part that breaks on the rising flank at 80 % of the crest an unbroken part would have seen


def under_read_of(rows: pd.DataFrame, pulse_width_ms: float | None, break_share: float = BREAK_SHARE) -> float:
    """Share by which the typical peak of these rows may read low at worst: break on the rising flank.

    The geometric mean over specimens of what each one's sampling rate allows; a specimen without a recorded rate counts
    as the slowest. 0 where no pulse width is given, no sampling rate is recorded, or the method is "slow pull".
    """
    if pulse_width_ms is None or "sample_rate_hz" not in rows or (rows["method"] == "slow pull").all():
        return 0.0
    rates = rows["sample_rate_hz"].astype(float)
    if rates.isna().all():
        return 0.0
    worst = [under_read_flank(float(rate), pulse_width_ms, break_share)[0] for rate in rates.fillna(rates.min())]
    return min(float(1 - np.exp(np.mean(np.log1p(-np.minimum(worst, 0.99))))), 0.99)


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonAsked:
    """What a table of comparisons was asked, and each comparison (None: no answer) in the order of the rows."""

    by: tuple[str, ...]
    confidence: float
    margin: float | None
    paired: bool
    comparisons: tuple[Comparison | None, ...]


class ComparisonTable(AnswerTable):
    """The table of `compare_table`: a DataFrame, with what was asked in ``asked``."""

    asked: ComparisonAsked

    @property
    def comparisons(self) -> tuple[Comparison | None, ...]:
        """The comparison of every row, None where there is no answer; rows keep the number they were given."""
        return tuple(self.asked.comparisons[int(str(row))] for row in self.index)

    @property
    def joint(self) -> Joint:
        """What all rows with an answer say together: see `Joint`.

        Raises
        ------
        NoAnswerError
            If fewer than 2 rows have an answer, several arms are compared with the reference, or the specimens are
            paired or blocked.
        """
        given = [(row, c) for row, c in zip(self.index, self.comparisons, strict=True) if c is not None]
        others = list(dict.fromkeys(str(self.loc[row, "other"]) for row, _ in given))
        if len(others) > 1:
            raise NoAnswerError(
                f"A joint answer compares one arm with the reference; here are {len(others)} ({', '.join(others)}). "
                "Name one with `other=`, or take the rows of one."
            )
        if self.asked.paired:
            raise NoAnswerError("A joint answer over pairs or blocks is not given: it takes unrelated specimens.")
        labels = pd.DataFrame(self.loc[[row for row, _ in given], [*self.asked.by, "group"]])
        return joint_of([c for _, c in given], labels, confidence=self.asked.confidence, margin=self.asked.margin)


@door
def compare_table(
    log: BreakLog | pd.DataFrame,
    factor: str = "method",
    reference: str = "slow pull",
    other: str | None = None,
    by: Sequence[str] | str = ("item", "orientation"),
    *,
    pulse_width_ms: float | None = None,
    break_share: float = BREAK_SHARE,
    confidence: float = 0.95,
    rng: Seed = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
    **options: Any,
) -> ComparisonTable:
    """Compare the levels of one column within every group of the others.

    Parameters
    ----------
    log : BreakLog or DataFrame
        A log, or its ``.table``.
    factor, reference : str
        Column that tells the arms apart ("method", "drop_height_m", ...), and its level to compare against.
    other : str, optional
        The level compared; default every other level found in the group.
    by : sequence of str
        Grouping columns.
    pulse_width_ms : float, optional
        Width of the shock pulse in ms; with the log's ``sample_rate_hz`` it gives the share by which shock peaks may
        read low (break on the rising flank at ``break_share`` of the crest, averaged over the specimens of the arm).
    confidence : float
        Of each interval, and of all together in the columns ``ratio_low_all``, ``ratio_high_all``.
    rng, n_jobs, progress
        Seed, workers, progress bar; the answer does not depend on the workers.
    **options
        Passed to `compare`: family, test, margin, alternative, low_fraction, low_family, block="batch", pair="batch".

    Returns
    -------
    ComparisonTable
        A DataFrame, one row a comparison: the grouping columns, ``group``, the fields of `Comparison`, ``p_holm``
        (Holm's p over all rows answered), ``ratio_low_all`` and ``ratio_high_all`` (simultaneous intervals,
        Bonferroni), ``sentence``, and ``refusal`` with the reason where there is no answer. ``comparisons`` holds the
        records (None where refused), ``joint`` what all of them say together.

    Raises
    ------
    InputError
        If a column or level does not exist in the log.

    See Also
    --------
    compare : one comparison, with all its arguments.
    plot.comparison : a forest of the ratios.
    report_table : this table as the page shows it.

    Examples
    --------
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> table = pd.DataFrame({"specimen": list("abcdefgh"), "item": "sling",
    ...                       "method": ["slow pull"] * 4 + ["shock"] * 4, "outcome": "broke",
    ...                       "load [kN]": [24.1, 25.3, 24.6, 25.0, 22.0, 23.1, 21.4, 22.6]})
    >>> answer = lt.compare_table(lt.check_breaks(table), margin=0.8)
    >>> answer[["group", "ratio", "verdict"]].round(3).values.tolist()
    [['sling', 0.9, 'shown']]
    """
    rng = as_seed(rng)
    table: Any = getattr(log, "table", log)
    groups = (by,) if isinstance(by, str) else tuple(by)
    pairs = _pairs(table, factor, str(reference), None if other is None else str(other), groups)
    used = table[table["used"]]
    tasks = []
    for pair, seed in zip(pairs, seeds(rng, len(pairs)), strict=True):
        read = tuple(under_read_of(_rows(used, pair, groups, factor, i), pulse_width_ms, break_share) for i in (0, 1))
        settings = {**options, "confidence": confidence, "under_read": read, "rng": int(seed.generate_state(1)[0])}
        tasks.append((pair.first, pair.second, settings))
    answers = run(_answer, tasks, n_jobs=n_jobs, progress=progress, label="comparisons")
    answered = sum(result is not None for result, _ in answers)
    level = 1 - (1 - confidence) / max(answered, 1)
    wide = run(
        _wide_interval,
        [(result, task[2], level) for (result, _), task in zip(answers, tasks, strict=True)],
        n_jobs=n_jobs,
        progress=progress,
        label="intervals that hold together",
    )
    asked = ComparisonAsked(
        by=groups,
        confidence=confidence,
        margin=options.get("margin"),
        paired=options.get("pair") is not None or options.get("block") is not None,
        comparisons=tuple(result for result, _ in answers),
    )
    return with_asked(ComparisonTable, _frame(pairs, answers, wide, groups), asked)


@dataclass(frozen=True, slots=True)
class _Pair:
    values: tuple[str, ...]
    levels: tuple[str, str]
    first: Sample | None
    second: Sample | None


def _text(value: Any) -> str:
    return "" if value is None or value != value else str(value)


def _pairs(table: pd.DataFrame, factor: str, reference: str, other: str | None, groups: tuple[str, ...]) -> list[_Pair]:
    if factor in groups:
        raise InputError(f"`by` must not contain the compared column {factor!r}. Leave it out of `by`.")
    samples = split(table, (*groups, factor))
    levels = list(dict.fromkeys(s.group[factor] for s in samples))
    for name, level in (("reference", reference), ("other", other)):
        if level is not None and level not in levels:
            raise InputError(
                f"`{name}` {level!r} is no level of column {factor!r}. Levels found: {', '.join(map(repr, levels))}."
            )
    cells = {(tuple(s.group[g] for g in groups), s.group[factor]): s for s in samples}
    pairs = []
    for values in dict.fromkeys(key for key, _ in cells):
        here = [level for level in levels if (values, level) in cells]
        rivals = [other] if other is not None else [level for level in here if level != reference]
        for rival in rivals or [""]:
            pairs.append(_Pair(values, (reference, rival), cells.get((values, reference)), cells.get((values, rival))))
    return pairs


def _rows(used: pd.DataFrame, pair: _Pair, groups: tuple[str, ...], factor: str, which: int) -> pd.DataFrame:
    rows = used
    for column, value in zip((*groups, factor), (*pair.values, pair.levels[which]), strict=True):
        rows = rows[rows[column].map(_text) == value]
    return rows


def _answer(first: Sample | None, second: Sample | None, settings: dict[str, Any]) -> tuple[Comparison | None, str]:
    if first is None or second is None:
        return None, ""
    try:
        return compare(first, second, **settings), ""
    except NoAnswerError as refusal:
        return None, str(refusal)


def _wide_interval(result: Comparison | None, settings: dict[str, Any], level: float) -> tuple[float, float]:
    if result is None:
        return float("nan"), float("nan")
    seed = settings["rng"]
    for design, answer in (("pair", answer_pairs), ("block", answer_blocks)):
        if settings.get(design) is not None:
            return answer(*result.samples, settings[design], "two-sided", seed).law.interval(level)
    return typical_law(*result.samples, settings.get("family", "auto"), seed)[0].interval(level)


def _missing(levels: list[str]) -> str:
    if not levels:
        return ""
    return (
        f"This group has no usable specimen of level {levels[0]!r}." if levels[0] else "This group has one level only."
    )


def _frame(
    pairs: list[_Pair],
    answers: list[tuple[Comparison | None, str]],
    wide: list[tuple[float, float]],
    groups: tuple[str, ...],
) -> pd.DataFrame:
    adjusted = holm([np.nan if result is None else result.p_value for result, _ in answers])
    rows = []
    for pair, (result, refusal), ends, p in zip(pairs, answers, wide, adjusted, strict=True):
        row: dict[str, Any] = dict(zip(groups, pair.values, strict=True))
        row["group"] = ", ".join(v for v in pair.values if v) or "all specimens"
        if result is not None:
            row.update(result.to_frame().iloc[0].to_dict())
            row["sentence"] = str(result)
        for name, sample in (("reference", pair.first), ("other", pair.second)):
            row[name] = pair.levels[0 if name == "reference" else 1]
            row[f"n_{name}"] = 0 if sample is None else sample.n
            row[f"n_broken_{name}"] = 0 if sample is None else sample.n_broken
        missing = [level for level, s in zip(pair.levels, (pair.first, pair.second), strict=True) if s is None]
        row["refusal"] = refusal or _missing(missing)
        row["p_holm"], (row["ratio_low_all"], row["ratio_high_all"]) = p, ends
        if result is None:
            row["verdict"] = row["difference"] = str(Difference.NO_ANSWER)
            row["sentence"] = f"{row['other'] or 'nothing'} against {row['reference']}: no answer. {row['refusal']}"
        rows.append(row)
    names = [f.name for f in fields(Comparison) if f.name != "samples"]
    order = [*groups, "group", *names, "p_holm", "ratio_low_all", "ratio_high_all", "sentence", "refusal"]
    return pd.DataFrame(rows).reindex(columns=list(dict.fromkeys(order)))
