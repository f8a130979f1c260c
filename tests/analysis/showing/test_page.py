"""The page stands alone, runs nothing, and lets no text through unescaped."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reviews import prepared, review
from sheets import SHEET

from analysis.showing.files import write_page
from analysis.showing.page import Entry, page_html


class Seen(HTMLParser):
    """Tags, links, ids and text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.text = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        found = dict(attrs)
        assert not any(name.startswith("on") for name in found)
        self.links += [found[name] or "" for name in ("src", "href") if name in found]
        self.ids += [found["id"] or ""] if "id" in found else []

    def handle_data(self, data: str) -> None:
        self.text += data


PLAIN_TAGS = {
    "html", "head", "meta", "title", "style", "body", "h1", "h2", "p", "nav", "a", "section",
    "img", "ul", "li", "table", "tr", "th", "td", "footer",
}  # fmt: skip


def entry(text: str = "x") -> Entry:
    return Entry("lowering-1", text, b"\x89PNG", text, [(text, [(text, text)])], [text])


@given(st.text())
def test_no_text_becomes_markup(text: str) -> None:
    html = page_html(text, text, [entry(text)], [text], text)
    assert set(Seen(html).tags) <= PLAIN_TAGS


@pytest.mark.parametrize("attack", ["<script>alert(1)</script>", '" onload="x', "</style><b>"])
def test_attacks_are_shown_as_text(attack: str) -> None:
    html = page_html(attack, attack, [entry(attack)], [attack], attack)
    assert attack in Seen(html).text.replace("\n", "")
    assert "<script" not in html


def test_empty_parts_leave_no_empty_tables() -> None:
    bare = Entry("a", "t", b"", "", [("Guesses", [])], [])
    html = page_html("t", "", [bare], [], "")
    assert "Guesses" not in html
    assert "<ul>" not in html


def test_a_page_of_reviews(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    path = write_page([review(made, 1), review(made, 2)], tmp_path / "p.html", "kN", "job.logbook")
    html = path.read_text(encoding="utf-8")
    seen = Seen(html)
    assert set(seen.tags) <= PLAIN_TAGS
    assert seen.tags.count("img") == 2
    pictures = [link for link in seen.links if not link.startswith("#")]
    assert all(link.startswith("data:image/png;base64,") for link in pictures)
    assert seen.ids == ["lowering-1", "lowering-2"]
    assert [link for link in seen.links if link.startswith("#")] == ["#lowering-1", "#lowering-2"]
    for words in (
        "INVENTED: crew, site, tree and numbers are made up. Job orchard: An invented job",
        "never permission to stand closer or cut bigger",
        "Lowering 1: orchard/P1, snubbed drop",
        "working limit 4.00 kN (Wren, 2026-05-03)",
        "Made by ropetally from job.logbook.",
    ):
        assert words in seen.text
    assert "width=device-width" in html
    assert "@media print" in html
    assert "http" not in html.replace("http-equiv", "")


def test_a_job_that_is_not_invented_does_not_say_so(tmp_path: Path) -> None:
    made = prepared(tmp_path, sheet=SHEET.replace("An invented job for tests.", "Oak by the barn."))
    html = write_page([review(made)], tmp_path / "p.html", "kN", "x").read_text(encoding="utf-8")
    assert "INVENTED" not in html
    assert "Job orchard: Oak by the barn." in html
