"""Checks of arguments that every wing needs."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import wraps
from inspect import Parameter, signature
from typing import Any, Literal, TypeVar, cast, get_args, get_origin

import numpy as np

from lowtail.errors import InputError

__all__ = ["check_fraction", "door", "kind_of"]

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Kind:
    """What an argument may be: the test, one of it and several of it in words, and what to do.

    ``odd`` says which item of a list or mapping is not as it must be; empty where the whole is of another kind.
    """

    good: Callable[[Any], bool]
    one: str
    many: str
    how: str = ""
    odd: Callable[[Any], str] = lambda value: ""


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)


def _is_whole(value: Any) -> bool:
    return isinstance(value, (int, np.integer)) and not isinstance(value, bool)


def _is_array(value: Any) -> bool:
    if isinstance(value, Mapping) or _is("pandas.DataFrame")(value):
        return False
    try:
        array = np.asarray(value)
    except (TypeError, ValueError):  # lists of different lengths
        return False
    if array.dtype.kind == "O":
        return all(v is None or isinstance(v, (bool, np.bool_)) or _is_number(v) for v in array.ravel())
    return array.dtype.kind in "biuf"


def _is_word(value: Any) -> bool:
    return isinstance(value, str)


def _is_path(value: Any) -> bool:
    return isinstance(value, os.PathLike) or (isinstance(value, str) and value != "")


def _is(where: str) -> Callable[[Any], bool]:
    """Tell the instances of a class by its module and name, without importing it: not loaded, it has none."""
    module, _, name = where.rpartition(".")

    def good(value: Any) -> bool:
        found = getattr(sys.modules.get(module), name, None)
        return isinstance(found, type) and isinstance(value, found)

    return good


def _made(where: str, how: str = "", one: str = "") -> Kind:
    name = where.rpartition(".")[2]
    return Kind(_is(where), one or f"a {name}", f"{name}s", how)


def _named(where: str, what: str, how: str) -> Kind:
    name = where.rpartition(".")[2]
    return Kind(lambda v: _is_word(v) or _is(where)(v), f"the name of {what} or a {name}", f"names or {name}s", how)


_TOGETHER = {  # parts of an annotation that are one thing in words
    "str | os.PathLike[str]": "path",
    "str | Path": "path",
    "str | Family": "family",
    "str | Basis": "basis",
}
_KINDS: dict[str, Kind] = {
    "Any": Kind(lambda value: True, "anything", "things"),
    "None": Kind(lambda value: value is None, "None", "None"),
    "bool": Kind(lambda value: isinstance(value, (bool, np.bool_)), "True or False", "True or False"),
    "int": Kind(_is_whole, "a whole number such as 5", "whole numbers"),
    "float": Kind(_is_number, "a number", "numbers"),
    "str": Kind(_is_word, "a word", "words"),
    "ArrayLike": Kind(_is_array, "a number or an array of numbers", "arrays of numbers"),
    "path": Kind(_is_path, "a path to a file", "files"),
    "Seed": Kind(
        lambda v: v is None or _is_whole(v) or isinstance(v, (np.random.Generator, np.random.SeedSequence)),
        "None, an integer seed, a numpy Generator or a SeedSequence",
        "seeds",
    ),
    "SampleLike": Kind(
        lambda v: _is("lowtail._shared.sample.Sample")(v) or (_is_array(v) and np.ndim(v) == 1),
        "one Sample, or an array of loads in kN",
        "Samples",
        "Make one with lt.Sample(load, broke), or take one from log.samples.",
    ),
    "family": _named(
        "lowtail.models.distributions.families.Family", "a family", "The families: 'weibull', 'normal', 'lognormal'."
    ),
    "basis": _named("lowtail.claims.basis.Basis", "a basis", "The names are in lt.BASES."),
    "pd.DataFrame": _made("pandas.DataFrame", one="a pandas DataFrame"),
    "Sample": _made(
        "lowtail._shared.sample.Sample",
        "Make one with lt.Sample(load, broke), or take one from log.samples.",
        "one Sample",
    ),
    "BreakLog": _made(
        "lowtail.logs.breaks.log.BreakLog", "Read one with lt.read_breaks(path), or lt.check_breaks(table)."
    ),
    "Trace": _made("lowtail.logs.traces.build.Trace", "Read one with lt.trace.read_trace(path)."),
    "PeakLoad": _made("lowtail.logs.traces.peak.PeakLoad", "Make one with lt.trace.peak_load(trace)."),
    "LoadCell": _made(
        "lowtail.logs.traces.budget.LoadCell", "Make one with lt.trace.LoadCell(capacity_kN=..., error_limit=...)."
    ),
    "Claim": _made("lowtail.claims.planning.core.claim.Claim", "Make one with lt.plan.Claim(strength=...)."),
    "Predictive": _made("lowtail.models.confidence.predictive.Predictive", "It is made by lt.scale_prior(samples)."),
    "ScalePrior": _made("lowtail.models.confidence.search.ScalePrior", "Make one with lt.scale_prior(samples)."),
    "Fit": _made("lowtail.models.distributions.fit.Fit", "Make one with lt.fit(sample)."),
    "StrengthTable": _made("lowtail.claims.strength.table.StrengthTable", "It is made by lt.strength_table(log)."),
    "RatingTable": _made("lowtail.claims.strength.rating.RatingTable", "It is made by lt.rating_check(log)."),
    "ComparisonTable": _made("lowtail.claims.comparison.table.ComparisonTable", "It is made by lt.compare_table(log)."),
    "Plan": _made("lowtail.claims.planning.core.plan.Plan", "Make one with lt.plan.new_series(...) or another plan."),
    "Comparison": _made("lowtail.claims.comparison.answer.Comparison", "Make one with lt.compare(reference, other)."),
    "DropResponse": _made(
        "lowtail.claims.drops.drop_response.DropResponse", "Make one with lt.drops.drop_response(log)."
    ),
    "Retention": _made("lowtail.claims.trend.retention.Retention", "Make one with lt.trend.retention(log)."),
    "WeakLink": _made("lowtail.claims.parts.weak_link.WeakLink", "Make one with lt.parts.weak_link(log)."),
    "Axes": _made("matplotlib.axes.Axes", one="matplotlib Axes"),
    "Figure": _made("matplotlib.figure.Figure", one="a matplotlib Figure"),
}


def _parts(text: str, mark: str) -> list[str]:
    """Parts of an annotation between marks, those within brackets left whole."""
    parts, depth = [""], 0
    for letter in text:
        depth += {"[": 1, "]": -1}.get(letter, 0)
        if letter == mark and not depth:
            parts.append("")
        else:
            parts[-1] += letter
    return [part.strip() for part in parts]


def _join(words: Iterable[str]) -> str:
    """Words with commas and "or"; None comes last and nothing twice."""
    each = sorted(dict.fromkeys(words), key=lambda word: word == "None")
    if not each[1:]:
        return each[0]
    before = ", ".join(each[:-1])
    return f"{before}{',' if ' or ' in before else ''} or {each[-1]}"


def kind_of(annotation: str, names: Mapping[str, Any] | None = None) -> Kind:
    """Read what an argument may be from its annotation, e.g. ``Sequence[str] | None``.

    ``names`` are those of the module it stands in: an alias of a ``Literal`` is found there. Any word passes for such
    an alias, since the function itself says best what each of the words means.

    Raises
    ------
    KeyError
        If the annotation names something that is no such alias and has no line in ``_KINDS``.
    """
    for several, together in _TOGETHER.items():
        annotation = annotation.replace(several, together)
    kinds = [_one_kind(part, names or {}) for part in _parts(annotation, "|")]
    if not kinds[1:]:
        return kinds[0]
    return Kind(
        lambda value: any(kind.good(value) for kind in kinds),
        _join(kind.one for kind in kinds),
        _join(kind.many for kind in kinds),
        " ".join(dict.fromkeys(kind.how for kind in kinds if kind.how)),
        lambda value: next((text for kind in kinds if (text := kind.odd(value))), ""),
    )


def _one_kind(part: str, names: Mapping[str, Any]) -> Kind:
    outer, _, rest = part.removesuffix("]").partition("[")
    if not rest:
        if get_origin(names.get(part)) is Literal:
            return Kind(_is_word, _join(map(repr, get_args(names[part]))), "words")
        return _KINDS[part]
    inner = _parts(rest, ",")
    if outer == "Literal":
        words = tuple(word.strip("\"'") for word in inner)
        return Kind(lambda value: _is_word(value) and value in words, _join(map(repr, words)), "words")
    each = [kind_of(text, names) for text in inner if text != "..."]
    if outer == "Mapping":
        key, item = each
        return Kind(
            lambda v: isinstance(v, Mapping) and not _odd_pair(v, key, item),
            f"a mapping of {key.many} to {item.many}",
            f"mappings of {key.many} to {item.many}",
            item.how,
            lambda v: _odd_pair(v, key, item) if isinstance(v, Mapping) else "",
        )
    if outer == "tuple" and "..." not in inner:
        return Kind(
            lambda v: isinstance(v, (tuple, list)) and len(v) == len(each) and all(map(_fits, each, v)),
            f"{'a pair of' if len(each) == 2 else len(each)} {each[0].many}",
            f"pairs of {each[0].many}",
            each[0].how,
        )
    if outer in ("Sequence", "Iterable", "tuple"):
        return Kind(
            lambda v: _is_list(v) and not _odd_item(v, each[0]),
            f"a list of {each[0].many}",
            f"lists of {each[0].many}",
            each[0].how,
            lambda v: _odd_item(v, each[0]) if _is_list(v) else "",
        )
    raise KeyError(part)


def _fits(kind: Kind, value: Any) -> bool:
    return kind.good(value)


def _is_list(value: Any) -> bool:
    """Several things in an order: no word, set, mapping or table."""
    if isinstance(value, (str, bytes, os.PathLike, Mapping, set, frozenset)) or not isinstance(value, Iterable):
        return False
    return getattr(value, "ndim", 1) == 1


def _odd_item(value: Any, kind: Kind) -> str:
    if isinstance(value, Iterator):  # looking at it would use it up
        return ""
    return next((f"{_shown(v)} at position {i}" for i, v in enumerate(value) if not kind.good(v)), "")


def _odd_pair(value: Any, key: Kind, item: Kind) -> str:
    wrong_key = next((f"the name {_shown(k)}" for k in value if not key.good(k)), "")
    return wrong_key or next(
        (item.odd(v) or f"{_shown(v)} for {k!r}" for k, v in value.items() if not item.good(v)), ""
    )


def door(thing: F) -> F:
    """Refuse an argument of the wrong kind by name, before anything is computed.

    What each argument may be is read from the signature of the function (or of the class that is made), so that the
    signature is the one place that says so.

    Raises
    ------
    InputError
        From the decorated function, naming it, the argument, what it must be, what it got, and what to do.
    """
    if isinstance(thing, type):
        thing.__init__ = _checked(thing.__init__, _public(thing))  # type: ignore[misc]
        return cast(F, thing)
    return cast(F, _checked(thing, _public(thing)))


def _public(thing: Any) -> str:
    """How a user calls this function: its name, behind its namespace where it has one."""
    space = next((f"{space}." for wing, space in _SPACES.items() if thing.__module__.startswith(f"lowtail.{wing}")), "")
    return space + _ALIASES.get(thing.__name__, str(thing.__name__))


_SPACES = {  # wing of the house -> public namespace
    "claims.planning": "plan",
    "claims.checks": "checks",
    "claims.parts": "parts",
    "claims.drops": "drops",
    "claims.trend": "trend",
    "logs.traces": "trace",
    "report.figures": "plot",
    "models.distributions.empirical": "checks",
    "models.distributions.second_opinion": "checks",
    "models.distributions.threshold": "checks",
}
_ALIASES = {
    "fit_many": "many.fit",
    "low_many": "many.lower_bound",
    "confidence_many": "many.confidence_that",
    "strength_table_large": "many.strength_table",
    "save_figure": "plot.save",
    "can_answer": "checks.can_answer",
    "unseen_minority": "checks.unseen_minority",
    "slip_table": "checks.slip_table",
}


def _checked(function: Callable[..., Any], who: str) -> Callable[..., Any]:
    several = {p.name for p in signature(function).parameters.values() if "Sequence[Sample]" in str(p.annotation)}
    asked = {
        p.name: (i, kind_of(p.annotation, getattr(function, "__globals__", {})))
        for i, p in enumerate(signature(function).parameters.values())
        if p.annotation is not Parameter.empty and p.kind not in (Parameter.VAR_KEYWORD, Parameter.VAR_POSITIONAL)
    }

    @wraps(function)
    def checked(*args: Any, **kwargs: Any) -> Any:
        if several:
            args, kwargs = _opened(asked, several, args, kwargs)
        for name, (i, kind) in asked.items():
            if i < len(args) or name in kwargs:
                value = args[i] if i < len(args) else kwargs[name]
                if masked := _masked(value):
                    many = "1 entry is" if masked == 1 else f"{masked} entries are"
                    raise InputError(
                        f"{who}: `{name}` must hold a value in every place, and {many} masked. Leave them out, or fill "
                        "them in; a mask would be lost here."
                    )
                if not kind.good(value):
                    got, how = kind.odd(value) or _shown(value), kind.how or f"See help(lt.{who})."
                    raise InputError(f"{who}: `{name}` must be {kind.one}, got {got}. {how}")
        return function(*args, **kwargs)

    return checked


def _opened(
    asked: Mapping[str, tuple[int, Kind]], several: set[str], args: tuple[Any, ...], kwargs: dict[str, Any]
) -> tuple[tuple[Any, ...], dict[str, Any]]:
    """The arguments, with the samples of a log given as the list where a list of samples is asked for."""
    places = {i for name, (i, _) in asked.items() if name in several}
    given = [list(v.values()) if i in places and _samples(v) else v for i, v in enumerate(args)]
    named = {k: list(v.values()) if k in several and _samples(v) else v for k, v in kwargs.items()}
    return tuple(given), named


_samples = _is("lowtail.logs.breaks.samples.Samples")


def _masked(value: Any) -> int:
    """How many entries of an array, or of the arrays in a list or mapping, are masked."""
    if isinstance(value, np.ma.MaskedArray):
        return int(np.ma.getmaskarray(value).sum())
    if isinstance(value, Mapping):
        value = list(value.values())
    return sum(map(_masked, value)) if isinstance(value, (list, tuple)) else 0


def _shown(value: Any) -> str:
    kind = type(value).__name__
    if isinstance(value, (str, int, float, bool, type(None), np.number)):
        return f"{value!r}"
    return f"a {kind}" + (f" of {len(value)}" if isinstance(value, (list, tuple, dict)) else "")


def check_fraction(value: Any, name: str) -> float:
    """Return ``value`` as a float strictly between 0 and 1.

    Raises
    ------
    InputError
        If it is not a number between 0 and 1 (ends excluded); a percentage is pointed out.
    """
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if 0 < number < 1:
        return number
    hint = ""
    if np.isfinite(number) and 1 <= number < 100:
        hint = f" Give a fraction, not a percentage: {number / 100:g}, not {number:g}."
    raise InputError(f"`{name}` must lie between 0 and 1 (ends excluded), got {value!r}.{hint}")
