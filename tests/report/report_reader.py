"""Reads a page as a person would: its words in order, and whatever it would fetch."""

from __future__ import annotations

from collections import Counter
from html.parser import HTMLParser


class Page(HTMLParser):
    """The visible words of a page in order, its tags and ids, and whatever it would fetch."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.headings: list[str] = []
        self.ids: Counter[str] = Counter()
        self.scripts = 0
        self.links: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self._open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "link", "br", "input", "use", "path"):
            self._open.append(tag)
        self.scripts += tag == "script"
        for name, value in attrs:
            self.attributes.append((name, value or ""))
            if name == "id":
                self.ids[value or ""] += 1
            if name in ("src", "href", "xlink:href", "action", "data", "poster"):
                self.links.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        if tag in self._open:
            while self._open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if not {"script", "style"} & set(self._open) and data.strip():
            self.words.append(" ".join(data.split()))
            if self._open and self._open[-1] in ("h1", "h2"):
                self.headings.append(self.words[-1])

    @property
    def text(self) -> str:
        """All words as one line."""
        return " ".join(self.words)
