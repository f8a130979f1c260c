"""Where a key stands in a TOML file, for messages about it.

Comes in: the bytes of a TOML file that ``tomllib`` has accepted. Goes out: key path ->
1-based line. Must not: be imported before something is wrong (the parser is a compiled
grammar), or judge values.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator

import tree_sitter
import tree_sitter_toml

KeyPath = tuple[str | int, ...]


def lines_of(source: bytes) -> dict[KeyPath, int]:
    r"""Line of every table, array element and key.

    Parameters
    ----------
    source : bytes
        Valid TOML, UTF-8.

    Returns
    -------
    dict
        Key path (keys and 0-based positions) -> 1-based line. A table stands at its
        header, a pair at its key; of a table given in parts, the first counts.

    Examples
    --------
    >>> lines_of(b'[[piece]]\nname = "P1"\n')[("piece", 0, "name")]
    2
    """
    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language()))
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    for node in parser.parse(source).root_node.named_children:
        if node.type == "pair":
            _note_pair(node, (), lines)
        elif node.type in {"table", "table_array_element"}:
            _note_table(node, lines, counts)
    return lines


def nearest_line(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Line of ``path``, or of the nearest table around it that was written.

    Examples
    --------
    >>> nearest_line({("piece", 0): 4}, ("piece", 0, "length_m"))
    4
    """
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return None


def _note_table(
    node: tree_sitter.Node, lines: dict[KeyPath, int], counts: dict[KeyPath, int]
) -> None:
    """Note a ``[table]`` or an element of an ``[[array of tables]]``, and its pairs."""
    header, *rest = (child for child in node.named_children if child.type != "comment")
    *parents, last = _keys(header)
    path: KeyPath = ()
    for key in parents:
        path = (*path, key)
        lines.setdefault(path, _line(node))
        if path in counts:
            path = (*path, counts[path] - 1)
    path = (*path, last)
    if node.type == "table_array_element":
        lines.setdefault(path, _line(node))
        counts[path] = counts.get(path, 0) + 1
        path = (*path, counts[path] - 1)
    lines.setdefault(path, _line(node))
    for child in rest:
        _note_pair(child, path, lines)


def _note_pair(node: tree_sitter.Node, parent: KeyPath, lines: dict[KeyPath, int]) -> None:
    """Note a ``key = value`` below ``parent``, and what is inside the value."""
    children = [child for child in node.named_children if child.type != "comment"]
    path = parent
    for key in _keys(children[0]):
        path = (*path, key)
        lines.setdefault(path, _line(node))
    _note_value(children[-1], path, lines)


def _note_value(node: tree_sitter.Node, path: KeyPath, lines: dict[KeyPath, int]) -> None:
    """Note the elements of an array and the pairs of an inline table."""
    children = [child for child in node.named_children if child.type != "comment"]
    if node.type == "array":
        for position, child in enumerate(children):
            lines[(*path, position)] = _line(child)
            _note_value(child, (*path, position), lines)
    elif node.type == "inline_table":
        for child in children:
            _note_pair(child, path, lines)


def _keys(node: tree_sitter.Node) -> list[str]:
    """Parts of a bare, quoted or dotted key, unescaped by ``tomllib`` itself."""
    return list(_spine(tomllib.loads(f"{(node.text or b'').decode()} = 0")))


def _spine(table: object) -> Iterator[str]:
    """Keys down a chain of one-key tables."""
    while isinstance(table, dict):
        ((key, table),) = table.items()
        yield key


def _line(node: tree_sitter.Node) -> int:
    """1-based line on which a node starts."""
    return int(node.start_point[0]) + 1
