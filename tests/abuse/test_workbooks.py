"""Workbooks of a few kilobytes that ask for gigabytes, or for minutes: refused in words."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile

import pytest

SHEETS = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
HEAD = '<?xml version="1.0"?>'
CHILD = """
import json, resource, sys, time
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
import lowtail as lt
for path in sys.argv[1:]:
    start = time.process_time()
    try:
        told = lt.read_breaks(path).n_rows
    except lt.LowtailError as exc:
        told = str(exc)
    print(json.dumps([path, told, time.process_time() - start]), flush=True)
"""


def book(sheet: str, path: str = "xl/worksheets/sheet1.xml", extra: dict[str, str] | None = None) -> bytes:
    """A workbook of one sheet, at any place in the package."""
    target = path.removeprefix("xl/")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr(
            "[Content_Types].xml",
            f'{HEAD}<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
            '<Default Extension="xml" ContentType="application/xml"/></Types>',
        )
        z.writestr(
            "_rels/.rels",
            f'{HEAD}<Relationships xmlns="{PACKAGE}"><Relationship Id="rId1" Type="{RELATIONS}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
        )
        z.writestr(
            "xl/workbook.xml",
            f'{HEAD}<workbook {SHEETS} xmlns:r="{RELATIONS}"><sheets><sheet name="Breaks" sheetId="1" r:id="rId1"/>'
            "</sheets></workbook>",
        )
        z.writestr(
            "xl/_rels/workbook.xml.rels",
            f'{HEAD}<Relationships xmlns="{PACKAGE}"><Relationship Id="rId1" Type="{RELATIONS}/worksheet" '
            f'Target="{target}"/></Relationships>',
        )
        z.writestr(path, sheet)
        for name, text in (extra or {}).items():
            z.writestr(name, text)
    return out.getvalue()


def row(number: int, values: list[str]) -> str:
    cells = "".join(f'<c r="{chr(65 + i)}{number}" t="inlineStr"><is><t>{v}</t></is></c>' for i, v in enumerate(values))
    return f'<row r="{number}">{cells}</row>'


def sheet(inner: str = "", after: str = "", before: str = "") -> str:
    log = row(1, ["specimen", "item", "load [kN]", "outcome"])
    log += row(2, ["a", "sling", "24.1", "broke"]) + row(3, ["b", "sling", "25.1", "broke"])
    return f"{HEAD}<worksheet {SHEETS}>{before}<sheetData>{log}{inner}</sheetData>{after}</worksheet>"


FAR = '<row r="1048576"><c r="XFD1048576" t="inlineStr"><is><t>x</t></is></c></row>'
REFUSED = {
    "a stray cell": book(sheet(FAR)),
    "single quotes": book(sheet(FAR.replace('"', "'"))),
    "small letters": book(sheet(FAR.replace("XFD", "xfd"))),
    "a long attribute first": book(sheet(FAR.replace("<c ", f'<c x="{"y" * 2_000_000}" '))),
    "a sheet in another folder": book(sheet(FAR), "xl/other/s.xml"),
    "a sheet without an ending": book(sheet(FAR), "xl/s.dat"),
    "a column that is none": book(sheet('<row r="5"><c r="ZZZZZZZ5"><v>1</v></c></row>')),
    "an address that is none": book(sheet('<row r="5"><c r="1A"><v>1</v></c></row>')),
    "a row number that is none": book(sheet('<row r="-5"><c r="A5"><v>1</v></c></row>')),
    "cells in a comment": book(sheet(f"<!--{'<c ' * 100_000}-->")),
    "cells in a text": book(sheet(f'<row r="4"><![CDATA[{"<c " * 100_000}]]></row>')),
    "a merged range without end": book(sheet(after='<mergeCells><mergeCell ref="A5:XFD1048576"/></mergeCells>')),
    "more texts than bytes": book(
        sheet(), extra={"xl/sharedStrings.xml": f'<sst {SHEETS} count="9" uniqueCount="99999999999"><si/></sst>'}
    ),
    "an entity": book(sheet().replace("<worksheet", '<!DOCTYPE a [<!ENTITY b "c">]><worksheet', 1)),
    "a part that breaks off": book(sheet()[:-30]),
}
READ = {
    "plain": book(sheet()),
    "a dimension that is not kept": book(sheet(before='<dimension ref="A1:XFD1048576"/>')),
    "a comment of words": book(sheet("<!-- written by hand -->")),
    "a merged title": book(sheet(after='<mergeCells><mergeCell ref="F1:G1"/></mergeCells>')),
}


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are those of POSIX")
def test_small_workbooks_neither_kill_nor_hang(tmp_path):
    paths = []
    for i, data in enumerate([*REFUSED.values(), *READ.values()]):
        paths.append(tmp_path / f"{i}.xlsx")
        paths[-1].write_bytes(data)
    ran = subprocess.run(
        [sys.executable, "-c", CHILD, *map(str, paths)], capture_output=True, text=True, timeout=120, check=False
    )
    told = [json.loads(line) for line in ran.stdout.splitlines()]
    names = [*REFUSED, *READ]
    assert ran.returncode == 0 and len(told) == len(names), f"stopped at {names[len(told)]!r}: {ran.stderr[-300:]}"
    for name, (_, answer, seconds) in zip(names, told, strict=True):
        assert seconds < 3, name
        if name in READ:
            assert answer == 2, (name, answer)
        else:
            assert isinstance(answer, str) and ".xlsx" in answer, (name, answer)
