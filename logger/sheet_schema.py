"""The JSON Schema of a job sheet, for editors that check a TOML file while it is written.

Comes in: the record types. Goes out: a JSON Schema as a plain dict, or as text. Must not:
say anything that the records do not; what stands between records (names that must exist,
tables that must rise) is checked by :mod:`logger.sheet` alone.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final

import msgspec

from logger.records import Sheet
from logger.units import UNITS, Dimension, dimension_of

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
_NUMBER: Final = r"(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?"
_ONE_OF: Final = {"Diameter": ("diameter_m", "girth_m"), "RopePoint": ("force_n", "breaking_share")}
"""Tables that hold exactly one of some keys."""


def sheet_schema() -> dict[str, Any]:
    """Give the schema of a job sheet.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12. A quantity is a number in SI or text with a unit; no
        key may be null, because TOML has no null.

    Examples
    --------
    >>> sheet_schema()["$defs"]["Limit"]["properties"]["kind"]["enum"]
    ['breaking_strength', 'peak_allowance', 'working_limit']
    """
    made = msgspec.json.schema(Sheet)
    tables = {name: _table(name, table) for name, table in made["$defs"].items()}
    return {
        "$schema": DIALECT,
        "title": "Ropetally job sheet",
        "$ref": made["$ref"],
        "$defs": dict(sorted(tables.items())),
    }


def schema_text() -> str:
    """Give the schema as text, the same each time."""
    return json.dumps(sheet_schema(), indent=1, ensure_ascii=False) + "\n"


def _table(name: str, table: dict[str, Any]) -> dict[str, Any]:
    """Let every quantity of a table carry a unit; one line of description."""
    plain = {**table, "properties": {k: _value(k, v) for k, v in table["properties"].items()}}
    if "description" in plain:
        plain["description"] = " ".join(plain["description"].split("\n\n")[0].split())
    if name in _ONE_OF:
        plain["oneOf"] = [{"required": [key]} for key in _ONE_OF[name]]
    return plain


def _value(key: str, schema: dict[str, Any]) -> dict[str, Any]:
    """Drop null; where the key ends in a unit, also take text with a unit."""
    choices = [one for one in schema.get("anyOf", [schema]) if one.get("type") != "null"]
    bare = {k: v for k, v in choices[0].items() if k != "default"}
    default = choices[0].get("default", schema.get("default"))
    dimension = dimension_of(key)
    if dimension is not None and bare.get("type") == "number":
        bare = {"anyOf": [bare, _with_unit(dimension, bare)]}
    if default not in (None, [], ""):
        bare["default"] = default
    return bare


def _with_unit(dimension: Dimension, number: dict[str, Any]) -> dict[str, Any]:
    """Describe text such as ``12 kN``."""
    units = "|".join(re.escape(unit) for unit in UNITS[dimension])

    low = max(number.get("minimum", -1), number.get("exclusiveMinimum", -1))
    sign = "[+]?" if low >= 0 else "[-+]?"
    return {
        "type": "string",
        "pattern": rf"^\s*{sign}{_NUMBER}\s*({units})\s*$",
        "description": f"a number and a unit of {dimension}: {', '.join(UNITS[dimension])}",
    }
