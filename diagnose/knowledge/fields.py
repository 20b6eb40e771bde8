"""Taking typed fields out of a YAML block, noting each problem at its line and going on."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from diagnose.source.located import Block, Row, Text, Value
from diagnose.source.problems import Mark, Problem, nearest, shown

ID = re.compile(r"[a-z0-9][a-z0-9.]*(?:-[a-z0-9.]+)*")


NO_FORMER: Mapping[str, str] = {}


class Fields:
    """One block being read. A field that is missing or wrong becomes a problem and an empty value."""

    def __init__(self, block: Block, problems: list[Problem], name: str) -> None:
        self.block = block
        self.problems = problems
        self.name = name
        self.used: set[str] = set()

    def problem(self, mark: Mark, message: str, hint: str = "", lint: str = "block") -> None:
        """Note a problem of this block."""
        self.problems.append(Problem(mark, f"{self.name}: {message}", hint, lint))

    def mark(self, key: str) -> Mark:
        """Where a key stands, or the block when it is missing."""
        return self.block.keys_at.get(key, self.block.mark)

    def value(self, key: str, required: bool) -> Value | None:
        """The raw value of a key."""
        self.used.add(key)
        value = self.block.get(key)
        if value is None or (isinstance(value, Text) and value == ""):
            if required or value is not None:
                self.problem(self.mark(key), f"'{key}' is missing", f"add '{key}: ...'")
            return None
        return value

    def text(self, key: str, required: bool = True) -> str:
        """A text on one line."""
        value = self.value(key, required)
        if value is None:
            return ""
        if not isinstance(value, Text):
            self.problem(value.mark, f"'{key}' wants one text", "")
            return ""
        return " ".join(value.split())

    def word(self, key: str, known: Iterable[str], default: str | None = None, former: Mapping[str, str] = NO_FORMER) -> str:
        """One of a closed list of words, also by a name that it had before."""
        text = self.text(key, required=default is None)
        text = former.get(text, text)
        names = tuple(known)
        if not text:
            return default or names[0]
        if text not in names:
            self.problem(self.block[key].mark, f"'{key}' cannot be {shown(text)}", nearest(text, names) or "known: " + ", ".join(names))
            return default or names[0]
        return text

    def id(self, key: str) -> str:
        """An id in kebab-case."""
        text = self.text(key)
        if text and not ID.fullmatch(text):
            self.problem(self.mark(key), f"the id {shown(text)} is not kebab-case", "lower-case words joined by '-'")
        return text

    def name_of(self, key: str, required: bool = True) -> str:
        """A name that a rule author makes up: kebab-case, or an empty text."""
        text = self.text(key, required)
        if text and not ID.fullmatch(text):
            self.problem(self.mark(key), f"the name {shown(text)} is not kebab-case", "lower-case words joined by '-'")
        return text

    def yes(self, key: str) -> bool:
        """yes or no; no when it is missing."""
        return self.word(key, ("no", "yes"), "no") == "yes"

    def number(self, key: str, low: float, high: float) -> float:
        """A plain number within bounds."""
        text = self.text(key)
        try:
            number = float(text) if text else low
        except ValueError:
            number = float("nan")
        if not low <= number <= high:
            self.problem(self.mark(key), f"'{key}' cannot be {shown(text)}", f"a number from {low:g} to {high:g}")
            return low
        return number

    def texts(self, key: str, required: bool = False) -> tuple[str, ...]:
        """A list of texts; a single text counts as a list of one."""
        value = self.value(key, required)
        if value is None:
            return ()
        if isinstance(value, Text):
            return (" ".join(value.split()),)
        if isinstance(value, Row) and all(isinstance(item, Text) and item for item in value):
            if required and not value:
                self.problem(value.mark, f"'{key}' is empty", "name at least one")
            return tuple(" ".join(str(item).split()) for item in value)
        self.problem(value.mark, f"'{key}' wants a list of texts", "for instance [a, b]")
        return ()

    def words_map(self, key: str, required: bool = False) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """A mapping from a name to a text or a list of texts."""
        value = self.value(key, required)
        if value is None:
            return ()
        if not isinstance(value, Block):
            self.problem(value.mark, f"'{key}' wants a mapping", "for instance {trunk.kind: rs485}")
            return ()
        inner = Fields(value, self.problems, self.name)
        return tuple((name, inner.texts(name, True)) for name in value)

    def rows(self, key: str, required: bool = False) -> list[Fields]:
        """A list of mappings."""
        value = self.value(key, required)
        if value is None:
            return []
        if not isinstance(value, Row):
            self.problem(value.mark, f"'{key}' wants a list", "each line begins with '- {'")
            return []
        if required and not value:
            self.problem(value.mark, f"'{key}' is empty", "write at least one line, '- {...}'")
        found = []
        for item in value:
            if isinstance(item, Block):
                found.append(Fields(item, self.problems, self.name))
            else:
                self.problem(item.mark, f"each line of '{key}' wants a mapping", "for instance - {check: x, ...}")
        return found

    def finish(self) -> None:
        """Note every key that nobody asked for."""
        for key, mark in self.block.keys_at.items():
            if key not in self.used:
                self.problem(mark, f"unknown key {shown(key)}", nearest(key, self.used))
