"""Checks of arguments that every wing needs."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from functools import wraps
from inspect import signature
from typing import Any, ParamSpec, TypeVar

import numpy as np

from lowtail.errors import InputError

__all__ = ["check_fraction", "takes"]

P = ParamSpec("P")
R = TypeVar("R")


def _is(*names: str) -> Callable[[Any], bool]:
    return lambda value: any(c.__name__ in names for c in type(value).__mro__)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)


def _numbers(value: Any) -> bool:
    if isinstance(value, str) or not isinstance(value, Iterable):
        return _is_number(value)
    return all(map(_is_number, value))


def _paths(value: Any) -> bool:
    return not isinstance(value, (str, os.PathLike)) and isinstance(value, Iterable)


def _several(value: Any) -> bool:
    return not isinstance(value, str) and isinstance(value, Iterable) and all(map(_is("Sample"), value))


_KINDS: dict[str, tuple[Callable[[Any], bool], str, str]] = {
    "sample": (_is("Sample"), "one Sample", "Make one with lt.Sample(load, broke), or take one from lt.split(log)."),
    "samples": (_several, "a list of Samples", "Make one with lt.split(log)."),
    "log": (_is("BreakLog", "DataFrame"), "a BreakLog (or its .table)", "Read one with lt.read_breaks(path)."),
    "breaks": (_is("BreakLog"), "a BreakLog", "Read one with lt.read_breaks(path), or lt.check_breaks(table)."),
    "table": (_is("DataFrame"), "a DataFrame", "lt.strength_table(log) and its like return one."),
    "trace": (_is("Trace"), "a Trace", "Read one with lt.read_trace(path)."),
    "number": (_is_number, "a number", ""),
    "numbers": (_numbers, "a number or a list of numbers", ""),
    "path": (lambda v: isinstance(v, (str, os.PathLike)), "the path of a file", ""),
    "paths": (_paths, "a list of files", "For one file: [path]."),
    "parts": (lambda v: isinstance(v, Mapping), "a mapping of part names to Samples", ""),
    "drops": (_is("DropResponse"), "a DropResponse", ""),
    "weak link": (_is("WeakLink"), "a WeakLink", "Make one with lt.weak_link(log)."),
}


def takes(**kinds: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Refuse an argument of the wrong kind at the door, by name, before anything is computed.

    Parameters
    ----------
    **kinds : str
        What each named argument must be: a key of ``_KINDS``, or several joined by ``|``.

    Raises
    ------
    InputError
        From the decorated function, naming it, the argument, what it must be, what it got, and what to do.
    """

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        place = {name: i for i, name in enumerate(signature(function).parameters) if name in kinds}

        @wraps(function)
        def checked(*args: P.args, **kwargs: P.kwargs) -> R:
            for name, i in place.items():
                if i < len(args) or name in kwargs:
                    value = args[i] if i < len(args) else kwargs[name]
                    fit = [_KINDS[kind] for kind in kinds[name].split("|")]
                    if not any(good(value) for good, _, _ in fit):
                        what, how = " or ".join(k[1] for k in fit), " ".join(k[2] for k in fit).rstrip()
                        raise InputError(
                            f"{function.__name__}: `{name}` must be {what}, got {_shown(value)}. {how}".rstrip()
                        )
            return function(*args, **kwargs)

        return checked

    return decorate


def _shown(value: Any) -> str:
    kind = type(value).__name__
    if isinstance(value, (str, int, float, bool, type(None))):
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
