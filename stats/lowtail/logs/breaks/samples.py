"""The samples of a break log: one a group, found by its label or by the values of its grouping columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

import pandas as pd

from lowtail._shared.resolution import shown_step
from lowtail._shared.sample import Sample
from lowtail.errors import InputError, NoSuchGroupError
from lowtail.logs.units import FORCE, to_kN

__all__ = ["DEFAULT_BY", "Samples", "split"]

DEFAULT_BY = ("item", "orientation", "method")


class Samples(Mapping[str, Sample]):
    """Samples by label, in the order of the log; ``log.samples`` or ``log.grouped(by)``.

    A label joins the values of the grouping columns with ", ". A list of samples is taken from ``.values()``; functions
    that want several samples take the mapping itself.

    See Also
    --------
    BreakLog.samples, BreakLog.grouped

    Examples
    --------
    >>> samples = Samples([Sample([24.1, 25.3], label="sling, slow pull", group={"method": "slow pull"}),
    ...                    Sample([21.0, 22.9], label="sling, shock", group={"method": "shock"})])
    >>> samples["sling, shock"].n
    2
    >>> list(samples.where(method="slow pull"))
    ['sling, slow pull']
    """

    __slots__ = ("_by_label",)

    def __init__(self, samples: Sequence[Sample]) -> None:
        labels = [s.label for s in samples]
        own = [s.label if labels.count(s.label) == 1 else _spelt(s) for s in samples]
        self._by_label = dict(zip(own, samples, strict=True))

    def __getitem__(self, label: str) -> Sample:
        if isinstance(label, str) and label in self._by_label:
            return self._by_label[label]
        raise NoSuchGroupError(_no_group(label, list(self._by_label)))

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_label)

    def __len__(self) -> int:
        return len(self._by_label)

    def __contains__(self, label: object) -> bool:
        return label in self._by_label

    def where(self, **values: str | Sequence[str]) -> Samples:
        """Samples whose grouping columns hold these values, e.g. ``where(item="sewn sling", method=["shock"])``.

        Parameters
        ----------
        **values : str or sequence of str
            Grouping column and the value, or values, wanted.

        Returns
        -------
        Samples
            In the same order; empty where no group has them.

        Raises
        ------
        InputError
            If a column groups nothing here, or a value stands in no group.
        """
        kept = list(self._by_label.values())
        for column, wanted in values.items():
            each = [wanted] if isinstance(wanted, str) else list(wanted)
            there = {s.group.get(column) for s in self._by_label.values()}
            if there <= {None}:
                known = dict.fromkeys(c for s in self._by_label.values() for c in s.group)
                raise InputError(f"`where` names {column!r}, which groups nothing here. Columns: {', '.join(known)}.")
            for value in each:
                if value not in there:
                    names = [str(v) for v in there if v]
                    raise InputError(_unknown(f"{column} {value!r}", value, names))
            kept = [s for s in kept if s.group.get(column) in each]
        return Samples(kept)

    def _ipython_key_completions_(self) -> list[str]:
        return list(self._by_label)

    def to_frame(self) -> pd.DataFrame:
        """One row a group: grouping columns, n, broke, held, slipped, lowest and highest load in kN."""
        rows = [
            {
                "group": label,
                **s.group,
                "n": s.n,
                "n_broken": s.n_broken,
                "n_held": s.n_held,
                "n_slipped": s.n_slipped,
                "lowest_kN": float(s.load.min()),
                "highest_kN": float(s.load.max()),
            }
            for label, s in self._by_label.items()
        ]
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        return "\n".join(str(s) for s in self._by_label.values()) or "no group"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False, border=0))


def _spelt(sample: Sample) -> str:
    return ", ".join(f"{column} {value!r}" for column, value in sample.group.items())


def _no_group(label: object, labels: Sequence[str]) -> str:
    if not isinstance(label, str):
        return f"A group is found by its label, a word, got {label!r}. Labels: {_few(labels)}."
    return _unknown(f"group {label!r}", label, labels)


def _unknown(what: str, word: object, names: Sequence[str]) -> str:
    near = get_close_matches(str(word), names, 1, 0.6)
    hint = f" Did you mean {near[0]!r}?" if near else f" There are: {_few(names)}."
    return f"There is no {what}.{hint}"


def _few(names: Sequence[str], most: int = 12) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return "; ".join(names[:most]) + more


def split(log_or_table: Any, by: Sequence[str] | str = DEFAULT_BY) -> list[Sample]:
    """One sample a group of a log, or of its table, in order of first appearance; see `BreakLog.grouped`.

    Raises
    ------
    InputError
        If a grouping column does not exist, or no row is usable.
    """
    table: Any = getattr(log_or_table, "table", log_or_table)
    columns = (by,) if isinstance(by, str) else tuple(by)
    if not columns:
        raise InputError("`by` must name at least one column, got none. Example: by=('item', 'orientation').")
    unknown = [c for c in columns if c not in table.columns]
    if unknown:
        raise InputError(
            f"`by` names {unknown[0]!r}, which the log does not have. Columns: {', '.join(table.columns)}."
        )
    needed = [c for c in ("used", "load_kN", "broke", "specimen") if c not in table.columns]
    if needed:
        raise InputError(
            f"This table has no column {needed[0]!r}: it was not read as a break log. Give it to check_breaks first."
        )
    used = table[table["used"]]
    if used.empty:
        raise InputError("The log has no usable row: every specimen is set aside. See the log's findings.")
    samples: list[Sample] = []
    for key, rows in used.groupby(list(columns), sort=False, dropna=False):
        values = ["" if v is None or v != v else str(v) for v in key]
        batch = rows["batch"].astype(str).tolist() if "batch" in rows and (rows["batch"] != "").any() else None
        samples.append(
            Sample(
                rows["load_kN"].to_numpy(dtype=float),
                rows["broke"].to_numpy(dtype=bool),
                label=", ".join(v for v in values if v) or "all specimens",
                batch=batch,
                specimen=rows["specimen"].astype(str).tolist(),
                group=dict(zip(columns, values, strict=True)),
                slipped=rows["slipped"].to_numpy(dtype=bool) if "slipped" in rows else None,
                slips=getattr(log_or_table, "slips", ""),
                resolution=_written_step(rows),
                **_known(rows),
            )
        )
    return samples


def _written_step(rows: pd.DataFrame) -> float | None:
    """Step in kN that the loads show in the one other unit in which they were written; None: to be seen in kN."""
    if not {"load", "unit"} <= set(rows.columns):
        return None
    units = set(rows["unit"])
    unit = str(next(iter(units)))
    if len(units) > 1 or unit == "kN" or unit not in FORCE:
        return None
    step = shown_step(rows["load"].to_numpy(dtype=float))
    return to_kN(step, unit) if step else None


def _known(rows: Any) -> dict[str, Any]:
    """Upper ends and uncertainties of a group's rows; of several uncertainties in common the largest counts."""
    found: dict[str, Any] = {}
    if "upper_kN" in rows and rows["upper_kN"].notna().any():
        found["upper"] = rows["upper_kN"].to_numpy(dtype=float)
    if "uncertainty_kN" in rows:
        found["uncertainty"] = rows["uncertainty_kN"].fillna(0.0).to_numpy(dtype=float)
    if "common_uncertainty" in rows and rows["common_uncertainty"].notna().any():
        found["common_uncertainty"] = float(rows["common_uncertainty"].max()) / 100
    return found
