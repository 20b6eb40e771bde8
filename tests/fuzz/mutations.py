"""Ways of spoiling a text, each from a seeded source of chance."""

from __future__ import annotations

import random
from collections.abc import Callable

ODD = [
    "", " ", "~", "null", "-", ":", "?", "!", "&a", "*a", "<<: *a", "!!python/object:os.system x", "!foo", "---\n", "...\n",
    "%YAML 9.9\n", "{", "}", "[", "]", "'", '"', "|", ">", "@", "`", "#", "\t", "\r", "\x00", "\x07", "\x1b[31m", "\x7f", "\x9b",
    "\ufeff", "\u2028", "\u202e", "\u200b", "\ufffe", "é", "漢字", "🔌", "²", "٣", "½", "Ⅷ", "－", "[bold]", "[/x]", "[link=x]", "{place}",
    "%s", "%n", "{0}", "$(reboot)", "`id`", "'; DROP TABLE cases; --", "../../../../etc/passwd", "/dev/zero", "/dev/stdin", "CON",
    "~root", "~nobody-of-that-name/x", "a/b", "\\", "\\\\", "C:\\x", "file:///etc/passwd", "=1+1", "@SUM(A1)",
    "nan", "inf", "-inf", "1e999", "-1", "0",
    "99999999999999999999999999", "1" * 400, "x" * 5000, "0x1f", "010", "1_000", "1e3", "1,5", "1.2.3", "1-2-3", "1 - ", "no", "yes", "on",
    "True", "2031-01-01", "all", "unit 5", "far end", "247", "248", "9-1", "1-999999",
]  # fmt: skip


def cut(text: str, chance: random.Random) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] if chance.random() < 0.7 else text[at:]


def drop(text: str, chance: random.Random) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] + text[at + chance.randrange(1, 30) :]


def double_line(text: str, chance: random.Random) -> str:
    lines = text.splitlines(keepends=True)
    at = chance.randrange(len(lines))
    return "".join([*lines[: at + 1], *lines[at:]])


def swap_lines(text: str, chance: random.Random) -> str:
    lines = text.splitlines(keepends=True)
    a, b = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return "".join(lines)


def indent(text: str, chance: random.Random) -> str:
    lines = text.splitlines(keepends=True)
    at = chance.randrange(len(lines))
    lines[at] = " " * chance.randrange(1, 4) + lines[at] if chance.random() < 0.5 else lines[at].lstrip()
    return "".join(lines)


def insert(text: str, chance: random.Random) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] + chance.choice(ODD) + text[at:]


def replace_word(text: str, chance: random.Random) -> str:
    words = text.split(" ")
    at = chance.randrange(len(words))
    tail = "\n" if words[at].endswith("\n") else ""
    words[at] = chance.choice(ODD) + tail
    return " ".join(words)


def replace_value(text: str, chance: random.Random) -> str:
    """Another value behind one of the colons: this keeps the file valid YAML more often than not."""
    places = [i for i, c in enumerate(text[:-1]) if c == ":" and text[i + 1] == " "]
    if not places:
        return insert(text, chance)
    at = chance.choice(places) + 2
    end = at
    while end < len(text) and text[end] not in ",}\n]":
        end += 1
    return text[:at] + chance.choice([*ODD, "[a, b]", "{a: b}", "{}", "[]"]) + text[end:]


def rename_key(text: str, chance: random.Random) -> str:
    places = [i for i, c in enumerate(text) if c == ":"]
    if not places:
        return insert(text, chance)
    at = chance.choice(places)
    return text[:at] + chance.choice(["x", "-", "é", " "]) + text[at:]


def flip(text: str, chance: random.Random) -> str:
    at = chance.randrange(max(len(text), 1))
    return text[:at] + chr(chance.choice([*range(0x00, 0x100), 0x2028, 0x1F50C])) + text[at + 1 :]


def long_line(text: str, chance: random.Random) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] + chance.choice("x9 [{&\"'-") * chance.choice([2_000, 20_000]) + text[at:]


TEXT: list[Callable[[str, random.Random], str]] = [
    cut, drop, double_line, swap_lines, indent, insert, insert, replace_word, replace_value, replace_value, replace_value,
    rename_key, flip, long_line,
]  # fmt: skip


def spoil(text: str, chance: random.Random) -> str:
    """The text with one to three things spoilt."""
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        text = chance.choice(TEXT)(text, chance) if text else chance.choice(ODD)
    return text


def phrase(seeds: list[str], chance: random.Random) -> str:
    """A short text: something odd, or a seed spoilt."""
    if chance.random() < 0.3:
        return chance.choice(ODD)
    return spoil(chance.choice(seeds), chance)
