"""Reads a page as a browser would, as far as the tests need: elements, text, and what is wrong with its structure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = frozenset(("meta", "link", "input", "br", "hr", "img", "source"))


@dataclass
class Page(HTMLParser):
    """One page: ``tags`` by count, every attribute seen, the text outside of attributes, and faults."""

    source: str
    tags: Counter[str] = field(default_factory=Counter)
    attributes: list[tuple[str, str, str]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[str] = []
        self.feed(self.source)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag in self._open]
        names = [value for _, name, value in self.attributes if name == "id"]
        self.faults += [f"id {name} stands twice" for name, count in Counter(names).items() if count > 1]
        wanted = {(tag, value) for tag, name, value in self.attributes if name in ("for", "aria-labelledby")}
        for tag, value in wanted:
            self.faults += [f"{tag} names {one}, which is not there" for one in value.split() if one not in names]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())

    def values(self, tag: str, name: str) -> list[str]:
        return [value for one, other, value in self.attributes if one == tag and other == name]
