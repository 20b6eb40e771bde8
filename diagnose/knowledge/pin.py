"""Problems of a block pinned to the very name that is wrong: the block's file is read again, with every value's place."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from diagnose.source.located import Block, Row, Text, Value, read_file
from diagnose.source.problems import InputError, Mark, Problem

PROSE = ("title", "says", "ask", "how", "do", "find", "phrases", "outcomes")  # sentences, in which a name is only a word
_QUOTED = re.compile(r"'([^']+)'")


def pinned(problems: Iterable[Problem], folder: Path, shown_as: str) -> list[Problem]:
    """The problems, each at the first name it quotes that stands in its block; where none does, it stays where it was.

    A problem that comes several times with the same words goes to the name's next place each time.
    """
    documents: dict[str, Row | None] = {}
    taken: dict[tuple[str, str], int] = {}
    found = []
    for problem in problems:
        file = problem.mark.file
        if file not in documents:
            documents[file] = _document(folder / file.removeprefix(f"{shown_as}/"), file)
        region = _region(documents[file], problem.mark.line)
        told = (file, problem.message)
        nth = taken[told] = taken.get(told, -1) + 1
        own = next(iter(region.values())) if isinstance(region, Block) and any(region is item for item in documents[file] or ()) else None
        found.append(problem._replace(mark=_place(region, own, problem.message, nth) or problem.mark))
    return found


def _document(path: Path, name: str) -> Row | None:
    try:
        value = read_file(path, name)
    except InputError:
        return None
    return value if isinstance(value, Row) else None


def _region(value: Value | None, line: int) -> Value | None:
    """The outermost block that begins at a line."""
    if value is None or (isinstance(value, Block) and value.mark.line == line):
        return value
    inner = value if isinstance(value, Row) else value.values() if isinstance(value, Block) else ()
    return next((r for item in inner if isinstance(item, (Row, Block)) and (r := _region(item, line)) is not None), None)


def _place(region: Value | None, own: Value | None, message: str, nth: int) -> Mark | None:
    if region is None:
        return None
    words, texts = _QUOTED.findall(message), [t for t in _texts(region) if t is not own]
    for word in words:
        name = re.compile(rf"(?<![\w-]){re.escape(word)}(?![\w-])")
        marks = [t.mark for t in texts if t == word] or [m for t in texts if (m := _within(t, name)) is not None]
        if marks:
            return marks[min(nth, len(marks) - 1)]
    inner: Value = region
    found: Mark | None = None
    for word in words:  # a later one stands inside an earlier one, as in "'baseline' names 'x'"
        found = next(iter(_keys(inner, word)), found)
        inner = inner.get(word, inner) if isinstance(inner, Block) else inner
    return found


def _within(text: Text, name: re.Pattern[str]) -> Mark | None:
    """Where a name begins in a text of several, as in `gauge NAME` or `one or other`."""
    found = name.search(text)
    return text.mark._replace(column=text.mark.column + found.start()) if found else None


def _texts(value: Value) -> Iterator[Text]:
    """Every text of a block but sentences, in the order written."""
    if isinstance(value, Text):
        yield value
    elif isinstance(value, Row):
        for item in value:
            yield from _texts(item)
    else:
        for key, item in value.items():
            if key not in PROSE or (isinstance(item, Text) and " " not in item):
                yield from _texts(item)


def _keys(value: Value, word: str) -> list[Mark]:
    """Where a word stands as a key."""
    if isinstance(value, Block):
        own = [value.keys_at[word]] if word in value.keys_at else []
        return own + [mark for item in value.values() for mark in _keys(item, word)]
    return [mark for item in value for mark in _keys(item, word)] if isinstance(value, Row) else []
