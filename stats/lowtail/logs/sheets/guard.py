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
from xml.parsers import expat

from lowtail.errors import InputError, TableError

__all__ = ["MAX_BYTES", "MAX_CELLS", "check_zip", "column_letters", "column_number", "read_bytes"]

MAX_BYTES = 400 * 2**20
MAX_UNPACKED = 1500 * 2**20
MAX_CELLS = 16_000_000
MAX_COLUMNS = 2_000
_CHUNK = 1 << 20
MAX_MERGED = 1_000_000
_ADDRESS = re.compile("([A-Z]{1,8})([0-9]{1,12})", re.IGNORECASE)
_SHEET_ROOTS = ("worksheet", "sst", "workbook", "styleSheet")


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
            if len({n.lower() for n in names}) < len(members):
                raise TableError(f"{name} holds one part twice, so that it may be read in two ways. Save it again.")
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
    """Read a member through once, as XML wherever a reader could take it for a part of the workbook."""
    part = _Part(name, member)
    for chunk in _chunks(archive, member):
        part.feed(chunk)
    part.close()


class _Part:
    """What one part of a workbook claims, by the elements that are really there: cells, merged ranges, counts."""

    def __init__(self, name: str, member: zipfile.ZipInfo) -> None:
        self.name, self.part, self.size = name, member.filename, member.file_size
        self.strict = self.part.lower().endswith((".xml", ".rels"))
        self.row = self.column = self.merged = 0
        self.height = self.pending = self.width = self.filled = self.along = self.repeat = 0  # of an OpenDocument row
        self.parser: expat.XMLParserType | None = expat.ParserCreate("UTF-8", "}")
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.StartDoctypeDeclHandler = self._entities
        self.parser.CommentHandler = self._text
        self.parser.StartCdataSectionHandler = self._open
        self.parser.EndCdataSectionHandler = self._shut
        self.parser.buffer_text = True
        self.seen = False

    def feed(self, chunk: bytes) -> None:
        """Parse on; parts that are no markup are let be."""
        if self.parser is None:
            return
        if not self.seen and not self.strict and not chunk.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
            self.parser = None
            return
        try:
            self.parser.Parse(chunk)
        except expat.ExpatError as exc:
            self._malformed(exc)

    def close(self) -> None:
        """The end of the part: what it comes to."""
        try:
            if self.parser is not None:
                self.parser.Parse(b"", True)
        except expat.ExpatError as exc:
            self._malformed(exc)
        row, column = max(self.row, self.height), max(self.column, self.width)
        if column > MAX_COLUMNS or row * column > MAX_CELLS:
            raise TableError(
                f"{self.name}: {self.part} reaches to row {row}, column {column}: too many cells for a "
                "break log. Delete stray cells far from the table, or save the log alone as .csv."
            )

    def _malformed(self, exc: expat.ExpatError) -> None:
        if self.strict:
            raise TableError(f"{self.name} is a damaged workbook ({self.part}: {exc}). Save it again.") from None
        self.parser = None

    def _entities(self, *_: object) -> None:
        raise TableError(f"{self.name}: {self.part} declares entities, which no workbook needs. Save it again.")

    def _open(self) -> None:
        if self.parser is not None:
            self.parser.CharacterDataHandler = self._text

    def _shut(self) -> None:
        if self.parser is not None:
            self.parser.CharacterDataHandler = None

    def _text(self, text: str) -> None:
        if "<c " in text or "<row " in text:
            raise TableError(f"{self.name}: {self.part} hides cells in a text or a comment. Save it again.")

    def _start(self, tag: str, found: dict[str, str]) -> None:
        kind = tag.rpartition("}")[2].rpartition(":")[2]
        given = {k.rpartition("}")[2].rpartition(":")[2]: v for k, v in found.items()} if found else found
        if not self.seen:
            self.seen, self.strict = True, self.strict or kind in _SHEET_ROOTS
        if kind == "c":
            self._reach(given.get("r", ""))
        elif kind == "row":
            self.row = max(self.row, self._number(given.get("r", "0")))
        elif kind == "mergeCell":
            self._merge(given.get("ref", ""))
        elif kind == "sst":
            for count in ("count", "uniqueCount"):
                if self._number(given.get(count, "0")) > self.size:
                    raise TableError(f"{self.name}: {self.part} announces more texts than it has bytes. Save it again.")
        elif kind == "table-row":
            self.repeat = self._number(given.get("number-rows-repeated", "1"))
            self.filled = self.along = 0
        elif kind in ("table-cell", "covered-table-cell"):
            self.along += self._number(given.get("number-columns-repeated", "1"))
            if "value-type" in given:
                self.filled = self.along

    def _end(self, tag: str) -> None:
        if tag.endswith("}table-row") or tag.endswith(":table-row"):
            self.pending += self.repeat
            if self.filled:
                self.height, self.width, self.pending = self.height + self.pending, max(self.width, self.filled), 0
        elif tag.endswith("}table"):
            self.row, self.column = max(self.row, self.height), max(self.column, self.width)
            self.height = self.pending = self.width = 0

    def _number(self, text: str) -> int:
        if not (text.strip().isdecimal() and len(text) < 16):
            raise TableError(f"{self.name}: {self.part} holds {text[:40]!r} where a number must stand. Save it again.")
        return int(text)

    def _reach(self, address: str) -> tuple[int, int]:
        if not address:
            return 0, 0
        found = _ADDRESS.fullmatch(address.replace("$", ""))
        if found is None:
            raise TableError(f"{self.name}: {self.part} holds {address[:40]!r} where a cell's address must stand.")
        row, column = int(found[2]), column_number(found[1].upper())
        self.row, self.column = max(self.row, row), max(self.column, column)
        return row, column

    def _merge(self, text: str) -> None:
        corners = [self._reach(corner) for corner in text.split(":")]
        (top, left), (bottom, right) = corners[0], corners[-1]
        self.merged += (bottom - top + 1) * (right - left + 1)
        if self.merged > MAX_MERGED:
            raise TableError(f"{self.name}: {self.part} merges {self.merged} cells. Take the merging off, save again.")


def _chunks(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Iterator[bytes]:
    total = 0
    with archive.open(member) as stream:
        while block := stream.read(_CHUNK):
            total += len(block)
            if total > MAX_UNPACKED:
                raise TableError(f"{member.filename} unpacks to more than {MAX_UNPACKED // 2**20} MB.")
            yield block


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
