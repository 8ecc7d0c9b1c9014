"""One group's trouble is that group's line: the only place where a failure becomes words instead of an end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from lowtail.errors import LowtailError

__all__ = ["Trouble", "attempt", "trouble_words"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """An answer that could not be given.

    ``who`` is the group (empty: the whole log), ``what`` the question, ``reason`` why; ``expected`` is False where the
    failure is a fault of the library and not something that the data explain.
    """

    who: str
    what: str
    reason: str
    expected: bool = True

    def __str__(self) -> str:
        who = f"{self.who}: " if self.who and not self.reason.startswith((self.who, f"Group '{self.who}'")) else ""
        return f"{who}{self.what}: {self.reason}" if self.what else f"{who}{self.reason}"


def trouble_words(reason: BaseException) -> str:
    """Why it failed, in words; a failure that nobody foresaw says that it is the library's own."""
    if isinstance(reason, LowtailError):
        return str(reason)
    return (
        f"not answered: a fault inside lowtail ({type(reason).__name__}: {reason}). The other answers stand; please "
        "report this one with the log."
    )


def attempt(question: Callable[[], T], *, who: str = "", what: str = "") -> T | Trouble:
    """Ask a question; a failure becomes a `Trouble` with the group's name and the reason. Nothing else is caught."""
    try:
        return question()
    except MemoryError:
        raise
    except Exception as reason:
        expected = isinstance(reason, LowtailError)
        return Trouble(who=who, what=what, reason=trouble_words(reason), expected=expected)
