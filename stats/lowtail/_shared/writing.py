"""The only door by which files are written: refused before any work where one would be lost, whole or not at all."""

from __future__ import annotations

import os
import secrets
import stat
import time
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from lowtail.errors import InputError

__all__ = ["as_bytes", "check_writes", "locked", "put"]

_WAIT_S = 30.0  # how long one writer waits for another
_PAUSE_S = 0.01


def check_writes(
    writes: Mapping[str, str | os.PathLike[str] | None],
    reads: Iterable[str | os.PathLike[str]] = (),
    endings: Sequence[str] | Mapping[str, Sequence[str]] = (),
) -> dict[str, Path]:
    """Refuse, before any work, every output that cannot be written or would take the place of a file that is read.

    Parameters
    ----------
    writes : mapping
        What the output is called (an argument or option) to its path; None where it is not asked for.
    reads : iterable of path
        Files that are read. An output that is one of them by any path, link or case is refused, as are two outputs that
        are one file.
    endings : sequence of str, or mapping of what the output is called to one
        Endings allowed, e.g. ``(".csv", ".json")``; empty: any.

    Returns
    -------
    dict of str to Path
        The outputs asked for.

    Raises
    ------
    InputError
        If an output is a file that is read or another output, its folder is missing or read-only, it is a folder, a
        pipe, a device or read-only, or it has another ending.
    """
    outputs = {name: Path(path) for name, path in writes.items() if path is not None}
    taken = {mark: f"{Path(path).name!r}, which is read" for path in reads for mark in _marks(Path(path))}
    for name, place in outputs.items():
        allowed = endings.get(name, ()) if isinstance(endings, Mapping) else endings
        if allowed and place.suffix.lower() not in allowed:
            listed = " or ".join([", ".join(allowed[:-1]), allowed[-1]] if len(allowed) > 1 else allowed)
            raise InputError(f"`{name}` must end in {listed}, got {str(place)!r}. Choose a name with such an ending.")
        for mark in _marks(place):
            if mark in taken:
                raise InputError(
                    f"`{name}` would take the place of {taken[mark]}: {str(place)!r} is the same file. Choose another "
                    "name; nothing was written."
                )
        _refuse_place(name, place)
        taken |= dict.fromkeys(_marks(place), f"the file of `{name}`")
    return outputs


def _marks(place: Path) -> Iterator[Any]:
    """What tells one file from another: where it lies once links are followed and case is left out, and what it is."""
    with suppress(OSError, ValueError, RuntimeError):
        yield unicodedata.normalize("NFC", os.path.realpath(place)).casefold()
        info = os.stat(place)
        if info.st_ino:
            yield (info.st_dev, info.st_ino)


def _refuse_place(name: str, place: Path) -> None:
    """Refuse a place that cannot be written to."""
    try:
        real = Path(os.path.realpath(place))
        info = os.stat(real) if real.exists() else None
    except (OSError, ValueError, RuntimeError) as exc:
        why = getattr(exc, "strerror", None) or exc
        raise InputError(f"`{name}` cannot be written: {str(place)!r} ({why}). Choose another name.") from None
    if not real.parent.is_dir():
        raise InputError(
            f"`{name}` lies in a folder that does not exist: {str(place.parent)!r}. Make it first, or choose another."
        )
    if info is not None and stat.S_ISDIR(info.st_mode):
        raise InputError(f"`{name}` is a folder: {str(place)!r}. Give the name of a file in it.")
    if info is not None and not stat.S_ISREG(info.st_mode):
        raise InputError(f"`{name}` is a pipe or a device, not an ordinary file: {str(place)!r}. Choose a file.")
    if info is not None and not (info.st_mode & 0o222 and os.access(real, os.W_OK)):
        raise InputError(f"`{name}` is write-protected: {str(place)!r}. Choose another name, or take the mark off.")
    if not os.access(real.parent, os.W_OK):
        raise InputError(f"`{name}` lies in a folder that cannot be written to: {str(place.parent)!r}. Choose another.")


def as_bytes(text: str, what: str) -> bytes:
    """Text as UTF-8.

    Raises
    ------
    InputError
        If it holds half a character, which no file can hold; ``what`` names the text.
    """
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError as exc:
        raise InputError(
            f"{what} holds {exc.object[exc.start]!r} at place {exc.start + 1}, half a character that no file can hold. "
            "Write the character anew."
        ) from None


def put(path: str | os.PathLike[str], data: bytes, *, new: bool = False, lost: str = "Nothing was written.") -> Path:
    """Write a file whole or not at all: beside the target, to the disk, and into its place at once.

    Links are followed, and the permissions of a file that stands there are kept. Whatever ends the writing, a full disk
    or Ctrl-C, the file that stood there stands as it was, and nothing is left beside it.

    Parameters
    ----------
    path : path
    data : bytes
    new : bool
        Refuse where a file stands already, even one that appears while this one is written.
    lost : str
        What the caller adds to the message where it fails.

    Returns
    -------
    Path
        ``path``.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    place = Path(os.path.realpath(path))
    name = str(place.with_name(f".{place.name[:40]}.{secrets.token_hex(6)}.part"))
    try:
        with open(name, "xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, stat.S_IMODE(os.stat(place).st_mode) if place.exists() else 0o666 & ~_umask())
        _move(name, place, new)
        _settle(place.parent)
    except FileExistsError:
        raise InputError(f"{path} exists already and may hold data. Choose another name. {lost}") from None
    except (OSError, ValueError) as exc:
        why = getattr(exc, "strerror", None) or exc
        raise InputError(f"{path} cannot be written: {why}. {lost}") from None
    finally:
        with suppress(OSError, ValueError):
            os.unlink(name)
    return Path(path)


def _move(name: str, place: Path, new: bool) -> None:
    """Move a finished file into its place; a new one only where none stands."""
    if new:
        try:
            os.link(name, place)
            return
        except FileExistsError:
            raise
        except OSError:  # a file system without hard links
            if place.exists():
                raise FileExistsError(str(place)) from None
    os.replace(name, place)


def _settle(folder: Path) -> None:
    """Put the new entry of a folder on the disk, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _umask() -> int:
    """What a new file's permissions lack; Linux says so without a moment in which other threads have none."""
    with suppress(OSError, ValueError), open("/proc/self/status", encoding="ascii", errors="replace") as lines:
        return next(int(line.split()[1], 8) for line in lines if line.startswith("Umask:"))
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


@contextmanager
def locked(path: str | os.PathLike[str], wait_s: float = _WAIT_S) -> Iterator[None]:
    """Keep other writers of the same file out, in this process and in others, while inside.

    The lock is the system's own on a file ``.NAME.lock`` beside the target: it ends with the process that holds it,
    however that ends, so that none is ever left behind.

    Raises
    ------
    InputError
        If another writer does not end within ``wait_s`` seconds, or the folder cannot be written to.
    """
    place = Path(os.path.realpath(path))
    lock = place.with_name(f".{place.name[:200]}.lock")
    until = time.monotonic() + wait_s
    try:
        while (handle := _taken(lock)) is None:
            if time.monotonic() > until:
                raise InputError(
                    f"{place.name} is being written by another program since {wait_s:.0f} seconds. Nothing was added; "
                    "try again when it is done."
                )
            time.sleep(_PAUSE_S)
    except OSError as exc:
        raise InputError(f"{place.parent} cannot be written to: {exc.strerror}. Nothing was added.") from None
    try:
        yield
    finally:
        _release(lock, handle)


def _taken(lock: Path) -> int | None:
    """Handle of the lock where it is ours now; None where another holds it."""
    try:
        handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
    except PermissionError:
        if os.path.lexists(lock):  # another user's, or one that is going away
            return None
        raise
    try:
        _hold(handle)
        ours, there = os.fstat(handle), os.stat(lock)
        if (ours.st_dev, ours.st_ino) == (there.st_dev, there.st_ino):
            return handle
    except (BlockingIOError, PermissionError, FileNotFoundError):
        pass  # another holds it, or took it away with itself between the two looks
    except BaseException:
        os.close(handle)
        raise
    os.close(handle)
    return None


def _hold(handle: int) -> None:
    try:
        import fcntl
    except ImportError:
        import msvcrt

        held: Any = msvcrt
        held.locking(handle, held.LK_NBLCK, 1)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _release(lock: Path, handle: int) -> None:
    """Take the lock's file away while it is still ours (POSIX), or as soon as nobody has it open (Windows)."""
    with suppress(OSError):
        os.unlink(lock)
    os.close(handle)
    if os.name == "nt":
        with suppress(OSError):
            os.unlink(lock)
