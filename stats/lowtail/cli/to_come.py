"""The commands on specimens yet to come: predict, accept."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from lowtail.cli.options import (
    Area,
    By,
    Columns,
    Decimal,
    Family,
    Json,
    Labels,
    Log,
    Only,
    Sheet,
    Slips,
    TableFile,
    Unit,
)
from lowtail.cli.shared import BY, plain_rows, print_json, read_log, source_of, words_of

if TYPE_CHECKING:
    from lowtail._shared.guard import Trouble
    from lowtail._shared.record import Record
    from lowtail._shared.sample import Sample

__all__ = ["accept", "predict"]

Qualified = Annotated[Path, Parameter(help="Break log of the earlier series.")]
New = Annotated[Path, Parameter(help="Break log of the new lot, with the same groups.")]
ByDistribution = Annotated[str | None, Parameter(help="Strength distribution: weibull, normal or lognormal.")]


def predict(
    file: Log,
    *,
    next_specimens: Annotated[int, Parameter(name="--next")] = 1,
    confidence: float = 0.95,
    family: ByDistribution = None,
    by: By = None,
    only: Only = None,
    sheet: Sheet = None,
    unit: Unit = None,
    decimal: Decimal = None,
    columns: Columns = None,
    labels: Labels = None,
    slips: Slips = "",
    area_mm2: Area = None,
    out: TableFile = None,
    as_json: Json = False,
) -> int:
    """What the next specimen of every group holds, or the lowest of the next few.

    Parameters
    ----------
    next_specimens
        Specimens to come.
    confidence
        Chance that each of them holds at least the bound.
    family
        Strength distribution: weibull, normal or lognormal. Default: the lower of the Weibull and the normal bound.
    """
    from lowtail._shared.guard import attempt
    from lowtail.claims.to_come.prediction import prediction
    from lowtail.report.tables.text import only_groups

    groups = words_of(by, BY)
    log = only_groups(read_log(file, sheet, unit, decimal, columns, labels, slips, area_mm2), only, by=groups)

    def answer(sample: Sample) -> Record:
        return prediction(sample, next_specimens, confidence=confidence, family=family)

    samples = log.grouped(groups)
    answers = {name: attempt(partial(answer, samples[name]), who=name) for name in samples}
    return _tell("predict", source_of(log), answers, out, as_json)


def accept(
    qualified: Qualified,
    new: New,
    *,
    false_rejection: float = 0.05,
    weaker: float = 0.10,
    margin: float = 0.90,
    family: Family = "weibull",
    by: By = None,
    only: Only = None,
    sheet: Sheet = None,
    unit: Unit = None,
    decimal: Decimal = None,
    columns: Columns = None,
    labels: Labels = None,
    slips: Slips = "",
    area_mm2: Area = None,
    out: TableFile = None,
    as_json: Json = False,
) -> int:
    """Is a new lot accepted: its lowest specimen and its mean against an earlier series, group by group.

    Parameters
    ----------
    false_rejection
        Chance that a lot as good as the series is not accepted.
    weaker
        How much weaker the lot is whose chance of acceptance is stated, 0.10 for 10 %.
    margin
        Share of the earlier strength to be kept, for the comparison beside the verdict.
    """
    from lowtail._shared.guard import attempt
    from lowtail.claims.to_come.acceptance import accept_batch
    from lowtail.report.tables.text import only_groups

    groups = words_of(by, BY)
    options = (sheet, unit, decimal, columns, labels, slips, area_mm2)
    series = read_log(qualified, *options)
    lots = only_groups(read_log(new, *options), only, by=groups)
    earlier = series.grouped(groups)

    def answer(name: str) -> Record:
        return accept_batch(
            earlier[name], later[name], false_rejection=false_rejection, weaker=weaker, margin=margin, family=family
        )

    later = lots.grouped(groups)
    answers = {name: attempt(partial(answer, name), who=name) for name in later}
    return _tell("accept", {"qualified": source_of(series), "new": source_of(lots)}, answers, out, as_json)


def _tell(
    command: str, source: dict[str, Any], answers: dict[str, Record | Trouble], out: Path | None, as_json: bool
) -> int:
    """Print the sentences with their notes, or JSON; write the table; 1 where no group has an answer."""
    import pandas as pd

    from lowtail._shared.guard import Trouble
    from lowtail.report.tables.text import write_table

    troubles = {name: str(a) for name, a in answers.items() if isinstance(a, Trouble)}
    rows = [a for a in answers.values() if not isinstance(a, Trouble)]
    table = pd.concat([a.to_frame() for a in rows], ignore_index=True) if rows else pd.DataFrame({"group": []})
    if out is not None:
        write_table(table, out, [*map(str, rows), *troubles.values()])
    if as_json:
        print_json(command, {**source, "rows": plain_rows(table), "sentences": list(map(str, rows)),
                             "not_answered": troubles})  # fmt: skip
    else:
        for answer in rows:
            print(answer, *_indented(getattr(answer, "notes", ())), sep="\n")
        print(*troubles.values(), sep="\n", end="\n" if troubles else "")
    return 0 if rows else 1


def _indented(notes: Sequence[str]) -> list[str]:
    return [f"  {note}" for note in notes]
