"""Lines of text with a style word, and breaking them to a width. Pure; looks are decided elsewhere."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import NamedTuple


class Line(NamedTuple):
    """One line of output. Styles are title, text, dim, good, warn, danger."""

    style: str
    text: str


BLANK = Line("text", "")


def wrap(style: str, text: str, width: int, indent: str = "", hang: str | None = None) -> list[Line]:
    """`text` broken at words to `width`; later lines begin with `hang`."""
    rows = textwrap.wrap(
        text, max(width, 20), initial_indent=indent, subsequent_indent=indent if hang is None else hang,
        break_on_hyphens=False,
    )  # fmt: skip
    return [Line(style, row) for row in rows or [indent.rstrip()]]


def labelled(label: str, text: str, width: int, style: str = "text") -> list[Line]:
    """`label: value`, the value hanging under itself on wide screens and by two on narrow ones."""
    hang = " " * (len(label) + 2) if width >= 60 else "  "
    return wrap(style, f"{label}: {text}", width, "", hang)


def numbered(texts: Iterable[str], width: int, style: str = "text") -> list[Line]:
    """Choices, numbered from 1."""
    return [
        line for n, text in enumerate(texts, 1) for line in wrap(style, f"{n}  {text}", width, " ", "    ")
    ]
