"""What a file must be before anything reads it: an ordinary file of a sane size, and a workbook that cannot explode.

Workbooks are inspected as bytes first, since a few kilobytes can unpack to gigabytes or claim billions of cells.
"""

from __future__ import annotations

import io
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

from lowtail.errors import InputError, TableError

__all__ = ["MAX_BYTES", "MAX_CELLS", "check_zip", "column_letters", "column_number", "read_bytes"]

MAX_BYTES = 400 * 2**20
MAX_UNPACKED = 1500 * 2**20
MAX_CELLS = 16_000_000
MAX_COLUMNS = 2_000
_CHUNK = 1 << 20
_ROW = re.compile(rb'<(?:\w+:)?row [^>]*?\br="([0-9]{1,9})"')
_CELL = re.compile(rb'<(?:\w+:)?c [^>]*?\br="([A-Z]{1,4})([0-9]{1,9})"')
_ODS_ROW = re.compile(
    rb'<table:table-row(?:[^>]*?rows-repeated="([0-9]{1,12})")?[^>]*>(.*?)</table:table-row>', re.DOTALL
)
_ODS_CELL = re.compile(rb"<table:(?:covered-)?table-cell[^>]*>")
_ODS_REPEAT = re.compile(rb'columns-repeated="([0-9]{1,12})"')


def read_bytes(path: str | os.PathLike[str]) -> tuple[str, bytes]:
    """Name and bytes of an ordinary file.

    Raises
    ------
    InputError
        If it is missing, no ordinary file (a folder, a pipe, a device), a loop of links, too large or empty.
    """
    if not isinstance(path, (str, os.PathLike)):
        raise InputError(
            f"`path` must be a path to a file, got {type(path).__name__}. For a table in hand use check_breaks."
        )
    place = Path(path)
    try:
        info = place.stat()
    except FileNotFoundError:
        raise InputError(f"No such file: {place}. Check the name and the folder.") from None
    except (OSError, ValueError, RuntimeError) as exc:
        raise InputError(f"{place} cannot be opened: {getattr(exc, 'strerror', None) or exc}.") from None
    if stat.S_ISDIR(info.st_mode):
        raise InputError(f"{place} is a folder. Give the path of one file.")
    if not stat.S_ISREG(info.st_mode):
        raise InputError(f"{place} is a pipe or a device, not an ordinary file. Save the table to a file first.")
    if info.st_size > MAX_BYTES:
        raise TableError(
            f"{place.name} has {info.st_size / 2**20:.0f} MB; the limit is {MAX_BYTES // 2**20} MB. Split it."
        )
    if info.st_size == 0:
        raise TableError(f"{place.name} is empty (0 bytes). Export the table again.")
    try:
        return place.name, place.read_bytes()
    except OSError as exc:
        raise InputError(f"{place} cannot be read: {exc.strerror}.") from None


def check_zip(name: str, data: bytes) -> str:
    """Kind of a zipped workbook, ``"xlsx"`` or ``"ods"``, after checking that it is safe to unpack.

    Raises
    ------
    TableError
        If it is damaged, protected, holds macros or links to other files, unpacks too large, or claims too many cells.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            names = {m.filename for m in members}
            if any(m.flag_bits & 1 for m in members):
                raise TableError(f"{name} is protected by a password. Save it without one.")
            if any(n.lower().endswith("vbaproject.bin") for n in names):
                raise TableError(f"{name} holds macros. Save it as .xlsx without macros; nothing in it was run.")
            if any("externallinks/" in n.lower() for n in names):
                raise TableError(
                    f"{name} holds links to other workbooks, so its numbers may be stale. Paste the values, save again."
                )
            kind = "ods" if "content.xml" in names else "xlsx"
            if kind == "xlsx" and not any(n.startswith("xl/workbook") for n in names):
                raise TableError(f"{name} is a zip file but no workbook. Save the table as .xlsx, .ods or .csv.")
            if sum(m.file_size for m in members) > MAX_UNPACKED:
                raise TableError(f"{name} unpacks to more than {MAX_UNPACKED // 2**20} MB. Save the log alone as .csv.")
            for member in members:
                _check_member(name, archive, member)
    except InputError:
        raise
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as exc:
        raise TableError(f"{name} is a damaged workbook ({exc}). Save it again.") from None
    return kind


def _check_member(name: str, archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> None:
    """Read a member through once: it must unpack as announced, declare no entities and claim no absurd extent."""
    markup = member.filename.endswith((".xml", ".rels"))
    sheet = member.filename.startswith("xl/worksheets/") and markup
    last_row, letters = 0, set[bytes]()
    for chunk in _chunks(archive, member):
        if markup and (b"<!ENTITY" in chunk or b"<!DOCTYPE" in chunk):
            raise TableError(f"{name}: {member.filename} declares entities, which no workbook needs. Save it again.")
        if sheet:
            rows = _ROW.findall(chunk)
            cells = _CELL.findall(chunk)
            letters.update(c for c, _ in cells)
            last_row = max([last_row, *map(int, rows), *(int(r) for _, r in cells[-1:])])
    last_column = max((column_number(c.decode()) for c in letters), default=0)
    if member.filename == "content.xml":
        last_row, last_column = _ods_extent(archive.read(member))
    if last_column > MAX_COLUMNS or last_row * last_column > MAX_CELLS:
        raise TableError(
            f"{name}: {member.filename} reaches to row {last_row}, column {last_column}: too many cells for a "
            "break log. Delete stray cells far from the table, or save the log alone as .csv."
        )


def _ods_extent(content: bytes) -> tuple[int, int]:
    """Rows and columns that an OpenDocument sheet comes to up to its last filled cell, repeats counted."""
    height, width = 0, 0
    for repeat, body in _ODS_ROW.findall(content):
        end = body.rfind(b"value-type")
        if end >= 0:
            height += int(repeat or 1)
            cells = _ODS_CELL.findall(body, 0, body.find(b">", end) + 1)
            width = max(width, sum(int(n[1]) if (n := _ODS_REPEAT.search(cell)) else 1 for cell in cells))
    return height, width


def _chunks(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Iterator[bytes]:
    total, tail = 0, b""
    with archive.open(member) as stream:
        while block := stream.read(_CHUNK):
            total += len(block)
            if total > MAX_UNPACKED:
                raise TableError(f"{member.filename} unpacks to more than {MAX_UNPACKED // 2**20} MB.")
            yield tail + block
            tail = block[-256:]


def column_letters(index: int) -> str:
    """Spreadsheet letters of a 0-based column index.

    Examples
    --------
    >>> column_letters(0), column_letters(27)
    ('A', 'AB')
    """
    letters, index = "", index + 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def column_number(letters: str) -> int:
    """1-based number of spreadsheet column letters.

    Examples
    --------
    >>> column_number("A"), column_number("AB")
    (1, 28)
    """
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number
