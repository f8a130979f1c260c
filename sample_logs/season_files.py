"""Plain tables as TOML and JSON text.

Comes in: tables of the season. Goes out: text. Must not: know what the tables mean.
"""  # noqa: INP001 - a script's module, not a package

from __future__ import annotations

import json
import math
from typing import Any


def toml_text(tables: dict[str, Any], heading: str) -> str:
    """Write a job sheet: top tables, arrays of tables, inner tables inline.

    Examples
    --------
    >>> print(toml_text({"job": {"name": "a"}, "rig": [{"name": "b", "n": [{"x_m": 1.0}]}]}, "c"))
    # c
    <BLANKLINE>
    [job]
    name = "a"
    <BLANKLINE>
    [[rig]]
    name = "b"
    n = [
        { x_m = 1.0 },
    ]
    <BLANKLINE>
    """
    lines = [f"# {line}" for line in heading.splitlines()]
    for name, value in tables.items():
        for table in value if isinstance(value, list) else [value]:
            lines += ["", f"[[{name}]]" if isinstance(value, list) else f"[{name}]"]
            lines += [f"{key} = {_value(inner)}" for key, inner in table.items()]
    return "\n".join([*lines, ""])


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[\n" + "".join(f"    {_value(item)},\n" for item in value) + "]"
    return json.dumps(value)


def rounded(value: Any) -> Any:
    """Six significant digits for every number, None for what is none."""
    if isinstance(value, dict):
        return {key: rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(inner) for inner in value]
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


def json_text(value: Any) -> str:
    """JSON with rounded numbers."""
    return json.dumps(rounded(value), indent=1) + "\n"
