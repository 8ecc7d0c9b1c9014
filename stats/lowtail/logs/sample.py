"""A sample: the loads of one group of specimens, and which of them broke."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias, cast, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._shared.checks import door
from lowtail.errors import InputError

__all__ = ["Sample", "SampleLike", "as_sample", "bound_lacks", "check_slips"]


def _frozen(values: Any) -> NDArray[Any]:
    out = np.array(values)
    out.flags.writeable = False
    return out


def bound_lacks(n: int, broke: int, different: int) -> str:
    """What keeps ``n`` specimens, ``broke`` of them at ``different`` loads, from carrying a bound; else an empty text.

    The one home of the rule: a bound from a fitted distribution needs 2 different loads at break.
    """
    if n == 0:
        return "every specimen is set aside"
    if broke < 2:
        return f"{broke} of {n} specimens broke; a bound needs 2 different loads at break"
    if different < 2:
        return f"all {broke} breaks lie at one load; their scatter cannot be estimated"
    return ""


SlipsMean = Literal["", "failure", "held"]
SLIPS: tuple[str, ...] = get_args(SlipsMean)


def check_slips(meaning: object) -> SlipsMean:
    """Return what a slip is said to mean, or say what it can be."""
    if meaning not in SLIPS:
        raise InputError(f"`slips` must be 'failure' (a slip is a break at that load) or 'held', got {meaning!r}.")
    return cast("SlipsMean", meaning)


@door
@dataclass(frozen=True, slots=True, eq=False, init=False)
class Sample:
    """Loads of one group of specimens with the note whether each one broke.

    Parameters
    ----------
    load : array_like, shape (n,)
        Load in kN, finite and greater than 0: the load at break, or the highest load held.
    broke : array_like of bool, shape (n,), optional
        True where the specimen itself broke at ``load``; False where it held, so that its strength is at
        least ``load`` (right-censored). Default: all broke.
    label : str
        Name of the group, used in every message and table.
    batch : sequence of str, shape (n,), optional
        Purchase or production batch of each specimen.
    specimen : sequence of str, shape (n,), optional
        Specimen names.
    group : mapping, optional
        The grouping columns with their values, e.g. ``{"item": "sewn sling", "method": "shock"}``.
    slipped : array_like of bool, shape (n,), optional
        True where the specimen slipped out at ``load`` (a knot, a splice): it did not break, and whether a slip is a
        failure or only a load held is not for the library to guess. Default: none slipped.
    slips : str, optional
        What a slip means, where that is known: "failure" or "held"; recorded as an assumption. Default "": not stated.

    Raises
    ------
    InputError
        If the shapes differ, the sample is empty, a load is missing, not finite, zero or negative, or a specimen both
        broke and slipped.

    See Also
    --------
    Samples : the samples of a log.
    lower_bound : what may be claimed from it.

    Examples
    --------
    >>> sample = Sample([24.1, 25.3, 22.8, 26.0], [True, True, True, False], label="steel oval, major axis")
    >>> sample.n, sample.n_broken
    (4, 3)
    """

    load: NDArray[np.float64]
    broke: NDArray[np.bool_]
    label: str = ""
    batch: NDArray[Any] | None = None
    specimen: tuple[str, ...] = ()
    group: Mapping[str, str] = field(default_factory=dict)
    slipped: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    slips: SlipsMean = ""

    def __init__(
        self,
        load: ArrayLike,
        broke: ArrayLike | None = None,
        *,
        label: str = "",
        batch: Sequence[Any] | ArrayLike | None = None,
        specimen: Sequence[Any] = (),
        group: Mapping[str, str] | None = None,
        slipped: ArrayLike | None = None,
        slips: SlipsMean = "",
    ) -> None:
        who = f"Sample {label!r}" if label else "Sample"
        try:
            loads = np.asarray(load, dtype=np.float64)
        except (TypeError, ValueError) as exc:
            raise InputError(f"{who}: `load` must hold numbers in kN, got {load!r}.") from exc
        if loads.ndim != 1 or loads.size == 0:
            raise InputError(f"{who}: `load` must be one-dimensional with at least 1 load, got shape {loads.shape}.")
        bad = np.flatnonzero(~(np.isfinite(loads) & (loads > 0)))
        if bad.size:
            raise InputError(
                f"{who}: every load must be finite and greater than 0 kN, got {loads[bad[0]]!r} at position {bad[0]}"
                f"{f' and {bad.size - 1} more' if bad.size > 1 else ''}. Correct it, or leave that specimen out "
                "on record."
            )
        flags = np.ones(loads.size, dtype=bool) if broke is None else np.asarray(broke)
        if flags.dtype != np.bool_ and not np.isin(flags, (0, 1)).all():
            raise InputError(f"{who}: `broke` must hold True or False, got {broke!r}.")
        if flags.shape != loads.shape:
            raise InputError(f"{who}: `broke` must have the shape of `load` {loads.shape}, got {flags.shape}.")
        for name, value in (("batch", batch), ("specimen", specimen if len(specimen) else None)):
            if value is not None and (found := np.asarray(value, dtype=object).shape[:1]) != loads.shape:
                raise InputError(f"{who}: `{name}` must have {loads.size} entries, got {found[0] if found else 'one'}.")
        slid = np.zeros(loads.size, dtype=bool) if slipped is None else np.asarray(slipped)
        if slid.dtype != np.bool_ and not np.isin(slid, (0, 1)).all():
            raise InputError(f"{who}: `slipped` must hold True or False, got {slipped!r}.")
        if slid.shape != loads.shape:
            raise InputError(f"{who}: `slipped` must have the shape of `load` {loads.shape}, got {slid.shape}.")
        both = np.flatnonzero(slid.astype(bool) & flags.astype(bool))
        if both.size and broke is not None:
            raise InputError(f"{who}: specimen {both[0] + 1} is marked as broken and as slipped; it can be one only.")
        if broke is None:
            flags = ~slid.astype(bool)
        check_slips(slips)
        put = object.__setattr__
        put(self, "slipped", _frozen(slid.astype(bool)))
        put(self, "slips", slips)
        put(self, "load", _frozen(loads))
        put(self, "broke", _frozen(flags.astype(bool)))
        put(self, "label", str(label))
        put(self, "batch", None if batch is None else _frozen(np.asarray(batch, dtype=object)))
        put(self, "specimen", tuple(str(s) for s in specimen))
        put(self, "group", dict(group or {}))

    @property
    def n(self) -> int:
        """Number of specimens."""
        return int(self.load.size)

    @property
    def n_broken(self) -> int:
        """Number of specimens that broke."""
        return int(self.broke.sum())

    @property
    def n_censored(self) -> int:
        """Number of specimens that did not break: held or slipped (right-censored at their load)."""
        return self.n - self.n_broken

    @property
    def n_slipped(self) -> int:
        """Number of specimens that slipped out."""
        return int(self.slipped.sum())

    @property
    def n_held(self) -> int:
        """Number of specimens that held: neither broke nor slipped."""
        return self.n - self.n_broken - self.n_slipped

    @property
    def counts(self) -> str:
        """How many broke, held and slipped, e.g. "5 broke + 1 held + 1 slipped"."""
        parts = ((self.n_broken, "broke"), (self.n_held, "held"), (self.n_slipped, "slipped"))
        return " + ".join(f"{number} {word}" for number, word in parts if number)

    @property
    def lacks(self) -> str:
        """What keeps a fitted distribution from giving a bound, or an empty text: see `bound_lacks`."""
        broken = self.load[self.broke]
        return bound_lacks(self.n, broken.size, np.unique(broken).size)

    def with_slips(self, meaning: str) -> Sample:
        """Return this sample with its slips read as ``meaning``: "failure" (a break at that load) or "held"."""
        stated = check_slips(meaning)
        failed = self.slipped if meaning == "failure" else np.zeros(self.n, dtype=bool)
        return Sample(
            self.load,
            self.broke | failed,
            label=self.label,
            batch=self.batch,
            specimen=self.specimen,
            group=self.group,
            slipped=self.slipped & ~failed,
            slips=stated,
        )

    @property
    def who(self) -> str:
        """How messages name this sample."""
        return f"Group '{self.label}'" if self.label else "This sample"

    def __len__(self) -> int:
        return self.n

    def __str__(self) -> str:
        held = f", {self.n_held} held" if self.n_held else ""
        slid = f", {self.n_slipped} slipped" if self.n_slipped else ""
        return (
            f"{self.label or 'sample'}: {self.n} specimens, {self.n_broken} broke{held}{slid}, "
            f"{self.load.min():.4g} to {self.load.max():.4g} kN"
        )

    __repr__ = __str__


def as_sample(values: SampleLike) -> Sample:
    """Return a Sample as it is, and an array or Series of loads as the sample in which all broke.

    Raises
    ------
    InputError
        If the values are no loads: see `Sample`.
    """
    return values if isinstance(values, Sample) else Sample(values)


SampleLike: TypeAlias = Sample | ArrayLike
"""Where a sample is asked for, an array or Series of loads in kN will do: all of them broke."""
