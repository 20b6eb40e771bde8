"""YAML to plain values that know where they stand.

Only nodes are taken from the YAML library, never its typed values: `no`, `010` and `1e3` stay the
text that the author wrote, and the caller decides what they mean. Aliases and tags are refused:
they have no use here and let a small file grow without bound.
"""

from __future__ import annotations

import re
import stat
from pathlib import Path
from typing import Any

import yaml

from diagnose.source.problems import InputError, Mark, Problem, one_line, shown

LARGEST_FILE = 2_000_000
DEEPEST = 40
YAML_TAG = "tag:yaml.org,2002:"
PLAIN_TAGS = (YAML_TAG + "str", YAML_TAG + "seq", YAML_TAG + "map")

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffe\uffff]")
_LINE_END = re.compile("\r\n|[\n\r\x85\u2028\u2029]")  # what the YAML library counts as one

_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class Loader(_Base):  # type: ignore[misc]
    """Nodes without the library's guesses about plain words, so that any other tag was written by hand."""

    yaml_implicit_resolvers: dict[str, list[Any]] = {}  # noqa: RUF012


class Text(str):
    """A scalar, as written."""

    mark: Mark

    def __new__(cls, value: str, mark: Mark) -> Text:
        made = super().__new__(cls, value)
        made.mark = mark
        return made


class Row(list["Text | Row | Block"]):
    """A sequence."""

    def __init__(self, items: list[Text | Row | Block], mark: Mark) -> None:
        super().__init__(items)
        self.mark = mark


class Block(dict[str, "Text | Row | Block"]):
    """A mapping, in the order written."""

    def __init__(self, mark: Mark) -> None:
        super().__init__()
        self.mark = mark
        self.keys_at: dict[str, Mark] = {}


Value = Text | Row | Block


def read_file(path: Path, shown_as: str | None = None) -> Value:
    """The file's single document. Raises InputError with file:line for whatever is wrong with it."""
    name = shown_as or str(path)
    return read_text(read_plain(path, name), name)


def read_plain(path: Path, name: str) -> str:
    """The text of a file that a person names, at most LARGEST_FILE bytes of UTF-8, with or without a mark of
    byte order. Raises InputError.
    """
    start = Mark(name, 1, 1)
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise InputError([Problem(start, "this is a folder", "name a file", "file")])
        if not stat.S_ISREG(about.st_mode):  # a pipe may never end, a device has no end
            raise InputError([Problem(start, "this is no plain file", "name a file on disk", "file")])
        if about.st_size > LARGEST_FILE:
            raise InputError(
                [Problem(start, f"the file is larger than {LARGEST_FILE // 1_000_000} MB", "split it", "yaml")]
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError([Problem(start, "there is no such file", "check the path", "file")]) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(
            [Problem(start, f"cannot be read ({one_line(why, 80)})", "check the path and the rights", "file")]
        ) from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            [Problem(Mark(name, line, 1), "is not UTF-8 text", "save the file as UTF-8", "yaml")]
        ) from None


def read_text(text: str, name: str) -> Value:
    """The single YAML document in `text`; `name` stands for the file in messages."""
    start = Mark(name, 1, 1)
    text = text.removeprefix("\ufeff")
    if (control := _CONTROL.search(text)) is not None:
        raise InputError([_control_character(_mark_at(text, control.start(), name))])
    try:
        node = yaml.compose(text, Loader=Loader)
    except yaml.MarkedYAMLError as error:
        raise InputError([_not_yaml(error, text, name)]) from None
    except (yaml.YAMLError, RecursionError, ValueError, MemoryError):
        raise InputError([Problem(start, "not valid YAML", "nested too deeply or damaged", "yaml")]) from None
    if node is None:
        raise InputError([Problem(start, "the file is empty", "write at least one block", "yaml")])
    return _convert(node, _Reading(text, name), 0)


class _Reading:
    """One document on its way: its text, its name, and the nodes met so far."""

    def __init__(self, text: str, name: str) -> None:
        self.text, self.name = text, name
        self.seen: set[int] = set()


def _mark_at(text: str, offset: int, name: str) -> Mark:
    line, begin = 1, 0
    for end in _LINE_END.finditer(text, 0, offset):
        line, begin = line + 1, end.end()
    return Mark(name, line, offset - begin + 1)


def _control_character(mark: Mark) -> Problem:
    return Problem(mark, "holds a control character", "remove it", "yaml")


def _not_yaml(error: yaml.MarkedYAMLError, text: str, name: str) -> Problem:
    at = error.problem_mark or error.context_mark
    mark = Mark(name, at.line + 1, at.column + 1) if at else Mark(name, 1, 1)
    what = one_line(error.problem or "cannot be understood")
    if "expected a single document" in str(error):
        return Problem(
            mark, "not valid YAML: holds more than one document", "one document a file, no '---' between blocks", "yaml"
        )
    if "undefined alias" in what:
        return _alias(mark)
    if "nesting" in what:
        return Problem(mark, f"is nested deeper than {DEEPEST} levels", "flatten it", "yaml")
    return Problem(mark, f"not valid YAML: {what}", "check indentation, colons and quotes around here", "yaml")


def _alias(mark: Mark) -> Problem:
    return Problem(mark, "uses an alias (*name)", "write the value out", "yaml")


def _first_alias(reading: _Reading, otherwise: Mark) -> Mark:
    """Where the first alias stands. Composed nodes do not tell: an alias is the anchored node itself."""
    for event in yaml.parse(reading.text, Loader=Loader):
        if isinstance(event, yaml.AliasEvent) and event.start_mark is not None:
            return Mark(reading.name, event.start_mark.line + 1, event.start_mark.column + 1)
    return otherwise


def _mark(node: yaml.Node, name: str) -> Mark:
    return Mark(name, node.start_mark.line + 1, node.start_mark.column + 1)


def _convert(node: yaml.Node, reading: _Reading, depth: int) -> Value:
    mark = _mark(node, reading.name)
    if id(node) in reading.seen:
        raise InputError([_alias(_first_alias(reading, mark))])
    if depth > DEEPEST:
        raise InputError([Problem(mark, f"is nested deeper than {DEEPEST} levels", "flatten it", "yaml")])
    reading.seen.add(id(node))
    if node.tag not in PLAIN_TAGS:
        raise InputError([Problem(mark, f"uses the tag {shown(node.tag.replace(YAML_TAG, '!!'))}", "remove the tag", "yaml")])
    if isinstance(node, yaml.ScalarNode):
        if _CONTROL.search(node.value):  # written as an escape
            raise InputError([_control_character(mark)])
        return Text(node.value, mark)
    if isinstance(node, yaml.SequenceNode):
        return Row([_convert(child, reading, depth + 1) for child in node.value], mark)
    block = Block(mark)
    for key_node, value_node in node.value:
        key_mark = _mark(key_node, reading.name)
        if not isinstance(key_node, yaml.ScalarNode) or not key_node.value.isprintable():
            raise InputError([Problem(key_mark, "has a key that is not plain text", "use a word", "yaml")])
        if id(key_node) in reading.seen:
            raise InputError([_alias(_first_alias(reading, key_mark))])
        reading.seen.add(id(key_node))
        key = str(key_node.value)
        if key in block:
            raise InputError([Problem(key_mark, f"has the key {shown(key)} twice", "keep one", "yaml")])
        block.keys_at[key] = key_mark
        block[key] = _convert(value_node, reading, depth + 1)
    return block
