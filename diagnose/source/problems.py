"""What is wrong in something a person wrote, as a value; printing is somebody else's work."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import NamedTuple

LONGEST_WORD = 80  # no name is longer; comparing with more takes long and finds nothing


class Mark(NamedTuple):
    """Where a value stands: file as the user named it, line and column from 1."""

    file: str
    line: int
    column: int


class Problem(NamedTuple):
    """One thing that is wrong, and what would be right."""

    mark: Mark
    message: str
    hint: str
    lint: str

    def line(self) -> str:
        """`file:line:column: what is wrong; what would be right [lint]`, always one line."""
        text = f"{self.mark.file}:{self.mark.line}:{self.mark.column}: {self.message}"
        if self.hint:
            text += f"; {self.hint}"
        return f"{one_line(text)} [{one_line(self.lint, 30)}]"


class PlainError(Exception):
    """An error whose text is one line for the person: what is wrong, and what would be right."""


class InputError(Exception):
    """Input of the user's that cannot be used. Holds every problem found, never none."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(p.line() for p in self.problems))


def one_line(text: str, limit: int = 600) -> str:
    """Foreign text made safe to print: one line, no control characters, bounded length."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean if len(clean) <= limit else clean[: limit - 3] + "..."


def shown(value: object, limit: int = 60) -> str:
    """A foreign value in quotes, cut short, for an error line."""
    return "'" + one_line(str(value), limit) + "'"


def nearest(word: str, known: Iterable[str]) -> str:
    """`did you mean x?`, or the known words when there are few, or an empty text."""
    names = sorted(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.6) if len(word) <= LONGEST_WORD else []
    if close:
        return f"did you mean '{close[0]}'?"
    if 0 < len(names) <= 12:
        return "known: " + ", ".join(names)
    return ""
