"""A sample: the loads of one group of specimens, and which of them broke."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias, cast, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._shared.between import check_known_from_below, clean_uncertainty, upper_ends
from lowtail._shared.checks import door
from lowtail._shared.resolution import different_loads, shown_step
from lowtail.errors import InputError, NoAnswerError

__all__ = ["Sample", "SampleLike", "as_sample", "bound_lacks", "check_slips", "refuse_beyond_loads"]


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


def refuse_beyond_loads(who: str, between: int, common: float, what: str) -> None:
    """Refuse what a question has no place for; the one home of its words.

    Parameters
    ----------
    who : str
        The group, as messages name it.
    between : int
        Specimens that broke between two loads.
    common : float
        Relative uncertainty that all loads have in common.
    what : str
        The answer asked for.

    Raises
    ------
    NoAnswerError
        If there is one of them.
    """
    if between:
        raise NoAnswerError(
            f"{who}: {between} loads at break are known only to lie between two loads, and {what} needs each load at "
            "break. Record the load at break itself; or ask lower_bound, confidence_that, governing, fit or compare, "
            "which take such loads."
        )
    if common:
        raise NoAnswerError(
            f"{who}: the loads have an uncertainty of {100 * common:.3g} % in common, for which {what} has no place. "
            "Leave `common_uncertainty` out to ask without it; lower_bound, governing and compare carry it."
        )


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
    resolution : float, optional
        Step in kN in which the loads were recorded, at least 0; 0: they are not rounded. Loads closer than one step
        are equal. Default: what the loads themselves show, see ``step``.
    upper : array_like, shape (n,), optional
        Load in kN at or below which each broken specimen broke, where only the step is known at which it did: it held
        ``load``, the last step, and broke on the way to ``upper``. Equal to ``load``, or missing, where the load at
        break is known; missing where it held.
    uncertainty : float or array_like, shape (n,), optional
        Standard uncertainty (k = 1) of each load in kN, at least 0, independent from specimen to specimen. Default 0.
    common_uncertainty : float, optional
        Relative standard uncertainty (k = 1) that all loads have in common, such as the calibration of the load cell:
        0.005 for 0.5 %, from 0 to below 0.5. Default 0.

    Raises
    ------
    InputError
        If the shapes differ, the sample is empty, a load is missing, not finite, zero or negative, a specimen both
        broke and slipped, the resolution is negative or not finite, an interval does not fit its specimen, or a break
        is known from above only.

    See Also
    --------
    Samples : the samples of a log.
    lower_bound : what may be claimed from it.

    Examples
    --------
    >>> sample = Sample([24.1, 25.3, 22.8, 26.0], [True, True, True, False], label="steel oval, major axis")
    >>> sample.n, sample.n_broken
    (4, 3)
    >>> stepped = Sample([22, 24, 24], upper=[24, 26, 26])
    >>> stepped.n_between
    3
    """

    lower: NDArray[np.float64]
    broke: NDArray[np.bool_]
    label: str = ""
    batch: NDArray[Any] | None = None
    specimen: tuple[str, ...] = ()
    group: Mapping[str, str] = field(default_factory=dict)
    slipped: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    slips: SlipsMean = ""
    resolution: float | None = None
    upper: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    uncertainty: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    common_uncertainty: float = 0.0

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
        resolution: float | None = None,
        upper: ArrayLike | None = None,
        uncertainty: ArrayLike | None = None,
        common_uncertainty: float | None = None,
    ) -> None:
        who = f"Sample {label!r}" if label else "Sample"
        try:
            loads = np.asarray(load, dtype=np.float64)
        except (TypeError, ValueError) as exc:
            raise InputError(f"{who}: `load` must hold numbers in kN, got {load!r}.") from exc
        if loads.ndim != 1 or loads.size == 0:
            raise InputError(f"{who}: `load` must be one-dimensional with at least 1 load, got shape {loads.shape}.")
        check_known_from_below(who, loads, upper)
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
        if resolution is not None and not 0 <= resolution < np.inf:
            raise InputError(
                f"{who}: `resolution` must be the step in kN in which the loads were recorded, at least 0 (0: not "
                f"rounded), got {resolution!r}."
            )
        put = object.__setattr__
        put(self, "slipped", _frozen(slid.astype(bool)))
        put(self, "slips", slips)
        put(self, "resolution", None if resolution is None else float(resolution))
        put(self, "lower", _frozen(loads))
        put(self, "upper", _frozen(upper_ends(who, loads, flags.astype(bool), upper)))
        each, common = clean_uncertainty(who, loads.size, uncertainty, common_uncertainty)
        put(self, "uncertainty", _frozen(each))
        put(self, "common_uncertainty", common)
        put(self, "broke", _frozen(flags.astype(bool)))
        put(self, "label", str(label))
        put(self, "batch", None if batch is None else _frozen(np.asarray(batch, dtype=object)))
        put(self, "specimen", tuple(str(s) for s in specimen))
        put(self, "group", dict(group or {}))

    @property
    def load(self) -> NDArray[np.float64]:
        """Load at break, or highest load held, kN.

        Raises
        ------
        NoAnswerError
            If a specimen broke between two loads: who asks for loads at break must not be given a lower end unseen.
        """
        refuse_beyond_loads(self.who, self.n_between, 0.0, "this answer")
        return self.lower

    @property
    def between(self) -> NDArray[np.bool_]:
        """True where a specimen broke between two loads, ``lower`` (it held that) and ``upper``."""
        return np.asarray(np.isfinite(self.upper) & (self.upper > self.lower))

    @property
    def n_between(self) -> int:
        """Number of specimens that broke between two loads."""
        return int(self.between.sum())

    @property
    def highest(self) -> float:
        """The highest load of the sample, kN: an upper end where a specimen broke between two."""
        return float(np.where(self.between, self.upper, self.lower).max())

    @property
    def middle(self) -> NDArray[np.float64]:
        """Loads in kN, with the middle of the two loads where a specimen broke between them."""
        return np.where(self.between, 0.5 * (self.lower + np.where(self.between, self.upper, 0.0)), self.lower)

    @property
    def n(self) -> int:
        """Number of specimens."""
        return int(self.lower.size)

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
    def step(self) -> float:
        """Step in kN in which the loads were recorded: the one given, else what they show; 0 where they show none.

        0 too where a break lies between two loads: its ends say what is known. Shown: the largest of 1, 2 and 5 times a
        power of ten, down to 0.001, that divides every load, from 3 loads on (7 for a 2).
        """
        if self.n_between:
            return 0.0
        return shown_step(self.lower) if self.resolution is None else self.resolution

    @property
    def different(self) -> int:
        """Number of different loads at break: loads within one recording step, or within 1e-9 of each other, are one.

        The one home of that count: a bound needs 2, see ``lacks``.
        """
        if self.n_between:
            return int(np.unique(np.concatenate([self.lower[self.broke], self.upper[self.broke]])).size)
        return different_loads(self.lower[self.broke], self.step)

    @property
    def lacks(self) -> str:
        """What keeps a fitted distribution from giving a bound, or an empty text: see `bound_lacks`."""
        return bound_lacks(self.n, self.n_broken, self.different)

    def with_slips(self, meaning: str) -> Sample:
        """Return this sample with its slips read as ``meaning``: "failure" (a break at that load) or "held"."""
        stated = check_slips(meaning)
        failed = self.slipped if meaning == "failure" else np.zeros(self.n, dtype=bool)
        upper = np.where(failed, self.lower, self.upper)
        return self._with(broke=self.broke | failed, slipped=self.slipped & ~failed, slips=stated, upper=upper)

    def with_loads(self, load: ArrayLike, *, resolution: float | None = None) -> Sample:
        """Return this sample with other loads (kN), recorded in steps of ``resolution``, specimen by specimen."""
        return self._with(load=load, resolution=resolution, upper=None)

    def _with(self, **changed: Any) -> Sample:
        """Return this sample with some of its fields changed."""
        same = {name: getattr(self, name) for name in self.__slots__ if name != "lower"}
        return Sample(**({"load": self.lower} | same | changed))

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
            f"{self.lower.min():.4g} to {self.highest:.4g} kN"
            f"{f', {self.n_between} of them broke between two loads' if self.n_between else ''}"
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
