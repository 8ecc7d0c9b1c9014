"""Files that must not take the machine with them: each ends in a clear error within seconds."""

from __future__ import annotations

import io
import os
import random
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

import lowtail as lt
from lowtail.logs.sheets.guard import column_letters, column_number

CORPUS = Path(__file__).with_name("corpus")
ODS = (
    '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
    '<table:table table:name="B">{}</table:table></office:spreadsheet></office:body></office:document-content>'
)


@pytest.fixture(autouse=True)
def within_seconds() -> Iterator[None]:
    start = time.process_time()
    yield
    assert time.process_time() - start < 10


def refused(path: Path, says: str, kind: type[lt.InputError] = lt.TableError) -> None:
    with pytest.raises(kind) as caught:
        lt.read_breaks(path)
    assert says in str(caught.value)


def test_missing_file(tmp_path: Path) -> None:
    refused(tmp_path / "none.csv", "No such file", lt.InputError)


def test_no_path() -> None:
    with pytest.raises(lt.InputError, match="`path` must be a path to a file, got 3"):
        lt.read_breaks(3)  # type: ignore[arg-type]


def test_empty_file(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").touch()
    refused(tmp_path / "empty.csv", "is empty (0 bytes)")


def test_folder(tmp_path: Path) -> None:
    refused(tmp_path, "is a folder", lt.InputError)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
def test_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    refused(tmp_path / "pipe.csv", "pipe or a device", lt.InputError)


def test_loop_of_links(tmp_path: Path) -> None:
    (tmp_path / "a.csv").symlink_to(tmp_path / "b.csv")
    (tmp_path / "b.csv").symlink_to(tmp_path / "a.csv")
    refused(tmp_path / "a.csv", "cannot be opened", lt.InputError)


def test_ten_gigabytes_of_nothing(tmp_path: Path) -> None:
    path = tmp_path / "sparse.csv"
    with path.open("wb") as file:
        file.truncate(10 * 2**30)
    refused(path, "the limit is 400 MB")
    path.unlink()


def test_zip_bomb(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", bytes(20 * 2**20))
    data = path.read_bytes()
    announced = (20 * 2**20).to_bytes(4, "little")
    assert len(data) < 2**18 and announced in data
    path.write_bytes(data.replace(announced, (1900 * 2**20).to_bytes(4, "little")))
    refused(path, "unpacks to more than 1500 MB")


def test_a_member_that_lies_about_its_size(tmp_path: Path) -> None:
    path = tmp_path / "liar.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", bytes(3 * 2**20))
    data = path.read_bytes()
    path.write_bytes(data.replace((3 * 2**20).to_bytes(4, "little"), (1000).to_bytes(4, "little")))
    refused(path, "damaged workbook")


@pytest.mark.parametrize("corner", ["XFD1048576", "ZZZ20", "CZZ9000"])
def test_a_cell_in_the_far_corner(tmp_path: Path, corner: str) -> None:
    data = (CORPUS / "titled.xlsx").read_bytes()
    number = "".join(c for c in corner if c.isdigit())
    row = f'<row r="{number}"><c r="{corner}"><v>1</v></c></row></sheetData>'.encode()
    path = tmp_path / "sparse.xlsx"
    path.write_bytes(with_member(data, "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b"</sheetData>", row)))
    refused(path, f"reaches to row {number}, column {column_number(corner.rstrip('0123456789'))}")


def with_member(data: bytes, name: str, change: object) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.namelist():
            content = old.read(member)
            new.writestr(member, change(content) if member == name else content)  # type: ignore[operator]
    return out.getvalue()


def test_entities_that_unfold(tmp_path: Path) -> None:
    path = tmp_path / "laughs.xlsx"
    data = (CORPUS / "titled.xlsx").read_bytes()
    path.write_bytes(with_member(data, "xl/workbook.xml", lambda xml: b'<!DOCTYPE x [<!ENTITY a "aa">]>' + xml))
    refused(path, "declares entities")


@pytest.mark.parametrize(
    "body",
    [
        '<table:table-row table:number-rows-repeated="1048576"><table:table-cell table:number-columns-repeated="16384" '
        'office:value-type="float" office:value="1"/></table:table-row>',
        '<table:table-row table:number-rows-repeated="1048576"><table:table-cell office:value-type="float" '
        'office:value="1"/><table:table-cell table:number-columns-repeated="900"/><table:table-cell '
        'office:value-type="float" office:value="1"/></table:table-row>',
    ],
)
def test_repeats_of_an_open_document(tmp_path: Path, body: str) -> None:
    path = tmp_path / "repeats.ods"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", ODS.format(body))
    refused(path, "too many cells for a break log")


def test_fifty_thousand_columns(tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text("specimen,item,load [kN],outcome\na,x,1,broke" + "," * 50_000 + "\n", encoding="utf-8")
    refused(path, "too many for a break log")


def test_a_cell_of_half_a_million_digits(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text("specimen,item,load [kN],outcome\na,x," + "9" * 500_000 + ",broke\n", encoding="utf-8")
    refused(path, "field larger than field limit")


def test_macros_of_the_old_format(tmp_path: Path) -> None:
    path = tmp_path / "macros.xls"
    path.write_bytes((CORPUS / "old_workbook.xls").read_bytes() + "_VBA_PROJECT".encode("utf-16-le"))
    refused(path, "holds macros")


@pytest.mark.parametrize("name", ["titled.xlsx", "open_document.ods"])
def test_damaged_workbooks_never_escape(tmp_path: Path, name: str) -> None:
    generator = random.Random(20240503)
    whole = (CORPUS / name).read_bytes()
    path = tmp_path / name
    for _ in range(15):
        data = bytearray(whole)
        for _ in range(4):
            data[generator.randrange(len(data))] = generator.randrange(256)
        path.write_bytes(bytes(data))
        try:
            lt.read_breaks(path)
        except lt.LowtailError:
            continue


def test_column_letters() -> None:
    assert [column_letters(i) for i in (0, 25, 26, 701, 702, 16383)] == ["A", "Z", "AA", "ZZ", "AAA", "XFD"]
    assert all(column_number(column_letters(i)) == i + 1 for i in range(2000))
