"""YAML to plain values that know where they stand.

Only nodes are taken from the YAML library, never its typed values: `no`, `010` and `1e3` stay the
text that the author wrote, and the caller decides what they mean. Aliases and tags are refused:
they have no use here and let a small file grow without bound.
"""

from __future__ import annotations

from pathlib import Path

import yaml

from diagnose.source.problems import InputError, Mark, Problem, one_line, shown

LARGEST_FILE = 8_000_000
DEEPEST = 40

Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


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
    start = Mark(name, 1, 1)
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise InputError([Problem(start, "the file is larger than 8 MB", "split it", "yaml")])
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError([Problem(start, "there is no such file", "check the path", "file")]) from None
    except IsADirectoryError:
        raise InputError([Problem(start, "this is a folder", "name a file", "file")]) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError([Problem(start, f"cannot be read: {one_line(why)}", "", "file")]) from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            [Problem(Mark(name, line, 1), "is not UTF-8 text", "save the file as UTF-8", "yaml")]
        ) from None
    return read_text(text, name)


def read_text(text: str, name: str) -> Value:
    """The single YAML document in `text`; `name` stands for the file in messages."""
    start = Mark(name, 1, 1)
    try:
        node = yaml.compose(text, Loader=Loader)
    except yaml.MarkedYAMLError as error:
        at = error.problem_mark or error.context_mark
        mark = Mark(name, at.line + 1, at.column + 1) if at else start
        what = one_line(error.problem or "cannot be understood")
        hint = "check indentation, colons and quotes around here"
        if "expected a single document" in str(error):
            what, hint = "holds more than one document", "one document a file, no '---' between blocks"
        raise InputError([Problem(mark, f"not valid YAML: {what}", hint, "yaml")]) from None
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, max(error.position, 0)) + 1
        raise InputError(
            [Problem(Mark(name, line, 1), "holds a control character", "remove it", "yaml")]
        ) from None
    except (yaml.YAMLError, RecursionError, ValueError, MemoryError):
        raise InputError([Problem(start, "not valid YAML", "nested too deeply or damaged", "yaml")]) from None
    if node is None:
        raise InputError([Problem(start, "the file is empty", "write at least one block", "yaml")])
    return _convert(node, name, set(), 0)


def _mark(node: yaml.Node, name: str) -> Mark:
    return Mark(name, node.start_mark.line + 1, node.start_mark.column + 1)


def _convert(node: yaml.Node, name: str, seen: set[int], depth: int) -> Value:
    mark = _mark(node, name)
    if id(node) in seen:
        raise InputError([Problem(mark, "uses an alias (*name)", "write the value out", "yaml")])
    if depth > DEEPEST:
        raise InputError([Problem(mark, f"is nested deeper than {DEEPEST} levels", "flatten it", "yaml")])
    seen.add(id(node))
    if node.tag and not node.tag.startswith("tag:yaml.org,2002:"):
        raise InputError([Problem(mark, f"uses the tag {shown(node.tag)}", "remove the tag", "yaml")])
    if isinstance(node, yaml.ScalarNode):
        return Text(node.value, mark)
    if isinstance(node, yaml.SequenceNode):
        return Row([_convert(child, name, seen, depth + 1) for child in node.value], mark)
    block = Block(mark)
    for key_node, value_node in node.value:
        key_mark = _mark(key_node, name)
        if not isinstance(key_node, yaml.ScalarNode):
            raise InputError([Problem(key_mark, "has a key that is not plain text", "use a word", "yaml")])
        key = str(key_node.value)
        if key in block:
            raise InputError([Problem(key_mark, f"has the key {shown(key)} twice", "keep one", "yaml")])
        block.keys_at[key] = key_mark
        block[key] = _convert(value_node, name, seen, depth + 1)
    return block
