"""A letter that is written regularly, ready to be sent: words, the same as HTML, and its pictures."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture: ``name`` is what the HTML calls it (``cid:name``), ``alt`` says in words what is to be seen."""

    name: str
    alt: str
    png: bytes


@dataclass(frozen=True, slots=True)
class Digest:
    """``to``: who gets it; empty: the receivers of the channel that carries it."""

    subject: str
    plain: str
    html: str
    pictures: tuple[Picture, ...] = ()
    to: tuple[str, ...] = ()

    def to_text(self) -> str:
        """As JSON text, the pictures in base 64 (RFC 4648 section 4)."""
        pictures = [[one.name, one.alt, base64.b64encode(one.png).decode("ascii")] for one in self.pictures]
        return json.dumps([self.subject, self.plain, self.html, pictures, list(self.to)], ensure_ascii=True)

    @classmethod
    def from_text(cls, text: str) -> Self:
        """Back from ``to_text``. Raises ValueError or TypeError when it is no such text."""
        subject, plain, html, pictures, to = json.loads(text)
        made = tuple(Picture(name, alt, base64.b64decode(png)) for name, alt, png in pictures)
        return cls(subject, plain, html, made, tuple(to))
