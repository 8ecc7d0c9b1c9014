"""The published form of a break log: a last check of a table behind the cell parser, and a Table Schema in JSON.

References
----------
Table Schema, https://specs.frictionlessdata.io/table-schema/ (an open standard for the columns of a table).
"""

from __future__ import annotations

import json
import warnings
from typing import TYPE_CHECKING, Any

from lowtail.errors import BadCell, TableError
from lowtail.glossary import BREAK_LOG

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["check_table", "table_schema", "table_schema_json"]

_TYPES = {"text": "string", "number": "number", "date": "string", "flag": "boolean"}


def check_table(table: pd.DataFrame) -> None:
    """Hold a break-log table against the glossary.

    Raises
    ------
    TableError
        If a column is missing or of the wrong kind, or a used row lacks a load greater than 0.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pandera.pandas as pandera
    kinds = {"text": str, "date": str, "number": float, "flag": bool}
    columns = {name: pandera.Column(kinds[c.kind], nullable=c.kind == "number") for name, c in BREAK_LOG.items()}
    columns["outcome"] = pandera.Column(str, pandera.Check.isin(BREAK_LOG["outcome"].allowed))
    columns["unit"] = pandera.Column(str, pandera.Check.isin((*BREAK_LOG["unit"].allowed, "")))
    columns |= {n: pandera.Column(bool) for n in ("broke", "used", "slipped")}
    columns |= {n: pandera.Column(str) for n in ("set_aside", "cell")}
    columns |= {n: pandera.Column(float, nullable=True) for n in ("load_kN", "upper_kN", "uncertainty_kN")}
    checks = [
        pandera.Check(lambda t: ~t["used"] | (t["load_kN"] > 0), name="a used row has a load greater than 0"),
        pandera.Check(lambda t: ~(t["upper_kN"] < t["load_kN"]), name="a break lies above the last load held"),
        pandera.Check(lambda t: t["used"] == (t["set_aside"] == ""), name="a row is used, or set aside for a reason"),
        pandera.Check(lambda t: t["broke"] == (t["outcome"] == "broke"), name="broke follows from the outcome"),
    ]
    try:
        pandera.DataFrameSchema(columns, checks=checks).validate(table, lazy=True)
    except pandera.errors.SchemaErrors as exc:
        cases = exc.failure_cases.to_dict("records")
        bad = [BadCell(f"row {c['index']}", str(c["column"]), str(c["failure_case"]), str(c["check"])) for c in cases]
        raise TableError("the table does not keep the form of a break log.", bad) from None


def table_schema() -> dict[str, Any]:
    """Table Schema of a break log, generated from the glossary."""
    fields = []
    for name, column in BREAK_LOG.items():
        entry: dict[str, Any] = {"name": name, "type": _TYPES[column.kind], "description": column.meaning}
        if column.unit:
            entry["unit"] = column.unit
        limits: dict[str, Any] = {}
        if column.required and name != "load":  # an invalid or excluded row may lack its load
            limits["required"] = True
        if column.allowed:
            limits["enum"] = list(column.allowed)
        if column.kind == "number":
            limits["minimum"] = 0
        if limits:
            entry["constraints"] = limits
        fields.append(entry)
    return {
        "$schema": "https://specs.frictionlessdata.io/schemas/table-schema.json",
        "title": "Break log: one row a specimen of a destructive strength test",
        "fields": fields,
        "missingValues": [""],
        "primaryKey": "specimen",
    }


def table_schema_json() -> str:
    """`table_schema` as JSON text."""
    return json.dumps(table_schema(), indent=2, ensure_ascii=False) + "\n"
