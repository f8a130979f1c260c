"""One page of reviewed lowerings: a single HTML file that needs nothing else.

Comes in: titles, PNG bytes and tables of words. Goes out: HTML text. Must not: run script,
fetch anything, read logbooks, or let any text through unescaped.

Reads on a phone held upright and prints on A4 or Letter, one lowering to a sheet where it
fits.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

_CSS: Final = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 46rem; background: #fff; color: #20242c;
  font: 1rem/1.45 system-ui, -apple-system, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.2rem; margin: 0 0 .5rem; border-top: 3px solid #20242c; padding-top: .6rem; }
section { margin: 1.6rem 0; }
img { display: block; width: 100%; height: auto; max-width: 34rem; margin: .4rem auto 1rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: left; vertical-align: top; padding: .3rem .5rem .3rem 0;
  border-bottom: 1px solid #c9cbc8; overflow-wrap: anywhere; }
th { font-weight: 600; width: 34%; }
th[colspan] { padding-top: .9rem; color: #4a4f57; font-weight: 600; }
.notice { font-weight: 600; border: 2px solid #20242c; padding: .6rem .8rem; margin: .8rem 0; }
nav a { display: inline-block; padding: .5rem .8rem .5rem 0; color: #1d4f80; }
ul { padding-left: 1.1rem; margin: .6rem 0; }
footer { border-top: 1px solid #c9cbc8; padding-top: .6rem; color: #4a4f57; font-size: .9rem; }
.wide th, .wide td { width: auto; overflow-wrap: break-word; padding-right: .8rem; }
.wide thead th { border-bottom: 2px solid #20242c; color: #4a4f57; }
@media screen and (max-width: 40rem) {
  .wide, .wide tbody, .wide tr, .wide td { display: block; width: 100%; }
  .wide thead { display: none; }
  .wide tr { border-bottom: 2px solid #20242c; padding: .4rem 0; }
  .wide td { border-bottom: 1px solid #e4e4e0; display: grid; grid-template-columns: 34% 1fr;
    gap: .6rem; padding: .25rem 0; }
  .wide td:empty { display: none; }
  .wide td::before { content: attr(data-label); font-weight: 600; }
}
@page { margin: 11mm; }
@media print {
  body { max-width: none; padding: 0; font-size: 8.5pt; line-height: 1.2; }
  th, td { padding: .5mm 2mm .5mm 0; }
  th[colspan] { padding-top: 1.6mm; }
  th { width: 26%; }
  h1 { margin: 0; }
  nav { display: none; }
  section { break-before: page; margin: 0; columns: 2; column-gap: 5mm; }
  section:first-of-type { break-before: auto; }
  h2, ul { column-span: all; }
  img { width: auto; max-width: 100%; max-height: 172mm; margin: 0 auto; }
  section.block { break-before: auto; columns: auto; margin: 0 0 3mm; }
  section.block p, section.block ul { margin: 1mm 0; }
  section.block.sheet { break-before: page; }
  section.block img { max-width: 92mm; margin: 0 auto; }
  footer { break-before: avoid; }
  .wide thead { display: table-header-group; }
  .wide th, .wide td { width: auto; padding-right: 3mm; }
  tr, img, h2, li { break-inside: avoid; }
  h2, tr:has(> th[colspan]) { break-after: avoid; }
  .notice { padding: 1mm 2mm; margin: 1.5mm 0; }
}
"""


@dataclass(frozen=True, slots=True)
class Entry:
    """One lowering on the page.

    Parameters
    ----------
    anchor : str
        Unique on the page.
    title : str
        Heading.
    picture_png : bytes
        The figure.
    alt : str
        The figure in words.
    groups : sequence of (heading, rows)
        Tables of (name, value).
    remarks : sequence of str
        Flags and cautions.
    link : str
        What a link to it says, where the title is too long for that.
    """

    anchor: str
    title: str
    picture_png: bytes
    alt: str
    groups: Sequence[tuple[str, Sequence[tuple[str, str]]]]
    remarks: Sequence[str]
    link: str = ""


@dataclass(frozen=True, slots=True)
class Block:
    """A part of the page that is no lowering: words, a table with a heading row, a figure.

    Parameters
    ----------
    anchor, title : str
        As for :class:`Entry`.
    words : sequence of str
        Paragraphs under the heading.
    head : sequence of str
        Names of the table's columns; on a phone each stands beside its value.
    rows : sequence of rows
        As long as ``head``.
    points : sequence of str
        A list below the table.
    picture_png, alt : bytes, str
        A figure above the table.
    on_new_sheet : bool
        Printed, it begins a sheet.
    """

    anchor: str
    title: str
    words: Sequence[str] = ()
    head: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    points: Sequence[str] = ()
    picture_png: bytes = b""
    alt: str = ""
    on_new_sheet: bool = False


def page_html(
    title: str,
    summary: str,
    entries: Sequence[Entry],
    notices: Iterable[str],
    footer: str,
    *,
    before: Sequence[Block] = (),
    after: Sequence[Block] = (),
) -> str:
    """Write the page.

    Parameters
    ----------
    title, summary : str
        Heading and one line below it.
    entries : sequence of Entry
        The lowerings in order.
    notices : iterable of str
        What stands boxed at the top (an invented job, the general cautions).
    footer : str
        What made the page and from which file.
    before, after : sequence of Block
        What stands above and below the lowerings.

    Returns
    -------
    str
        A whole HTML document.

    Examples
    --------
    >>> "&lt;b&gt;" in page_html("<b>", "", [], [], "")
    True
    """
    boxed = "".join(f'<p class="notice">{escape(text)}</p>' for text in notices)
    parts: list[Block | Entry] = [*before, *entries, *after]
    links = "".join(
        f'<a href="#{escape(part.anchor)}">{escape(_link(part, alone=len(parts) == len(entries)))}</a> '
        for part in parts
    )
    sections = "\n".join(
        [*map(_block, before), *(_section(entry) for entry in entries), *map(_block, after)]
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src data:; style-src 'unsafe-inline'\">\n"
        f"<title>{escape(title)}</title>\n<style>{_CSS}</style>\n</head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n<p>{escape(summary)}</p>\n{boxed}\n"
        f"<nav>{links}</nav>\n{sections}\n<footer>{escape(footer)}</footer>\n</body>\n</html>\n"
    )


def _link(part: Block | Entry, *, alone: bool) -> str:
    """Name a part in a link; among other parts a lowering is named by its number alone."""
    if isinstance(part, Entry) and part.link:
        return part.link
    return part.title if alone else part.title.partition(":")[0]


def _block(block: Block) -> str:
    """Write a part that is no lowering."""
    words = "".join(f"<p>{escape(text)}</p>" for text in block.words)
    picture = _picture(block.picture_png, block.alt) if block.picture_png else ""
    points = "".join(f"<li>{escape(text)}</li>" for text in block.points)
    sheet = " sheet" if block.on_new_sheet else ""
    return (
        f'<section class="block{sheet}" id="{escape(block.anchor)}">\n'
        f"<h2>{escape(block.title)}</h2>\n{words}{picture}"
        f"{_wide(block) if block.rows else ''}{f'<ul>{points}</ul>' if points else ''}\n</section>"
    )


def _wide(block: Block) -> str:
    """Write a table with a heading row."""
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in block.head)
    rows = "".join(
        "<tr>"
        + "".join(
            f'<td data-label="{escape(name)}">{f"<span>{escape(cell)}</span>" if cell else ""}</td>'
            for name, cell in zip(block.head, row, strict=True)
        )
        + "</tr>"
        for row in block.rows
    )
    return f'<table class="wide"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>'


def _picture(picture_png: bytes, alt: str) -> str:
    data = base64.b64encode(picture_png).decode()
    return f'<img src="data:image/png;base64,{data}" alt="{escape(alt)}">'


def _section(entry: Entry) -> str:
    """Write one lowering: heading, figure, remarks, tables."""
    remarks = "".join(f"<li>{escape(text)}</li>" for text in entry.remarks)
    tables = "".join(_rows(heading, rows) for heading, rows in entry.groups if rows)
    return (
        f'<section id="{escape(entry.anchor)}">\n<h2>{escape(entry.title)}</h2>\n'
        f"{f'<ul>{remarks}</ul>' if remarks else ''}\n"
        f"{_picture(entry.picture_png, entry.alt)}\n"
        f"<table>{tables}</table>\n</section>"
    )


def _rows(heading: str, rows: Sequence[tuple[str, str]]) -> str:
    """Write a heading row and its rows."""
    cells = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>'
        for name, value in rows
    )
    return f'<tr><th colspan="2" scope="rowgroup">{escape(heading)}</th></tr>{cells}'
