"""Reads a page into the little that tests ask of it, and fails on tags that do not match."""

from __future__ import annotations

import re
from collections import Counter
from html.parser import HTMLParser

VOID = {"meta", "br", "img", "hr", "link", "input"}


class Page(HTMLParser):
    """Tags with attributes, ids, links, levels of headings and the text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.ids: Counter[str] = Counter()
        self.links: list[str] = []
        self.headings: list[int] = []
        self.text: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert not self._open, f"never closed: {self._open}"

    @property
    def words(self) -> str:
        """The text with single spaces."""
        return " ".join("".join(self.text).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.tags.append((tag, found))
        if "id" in found:
            self.ids[found["id"]] += 1
        if tag == "a":
            self.links.append(found["href"])
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open.pop() == tag, f"</{tag}> does not match"

    def handle_data(self, data: str) -> None:
        if not self._open or self._open[-1] not in ("style", "script"):
            self.text.append(data)
