"""The one place that decides about colour, width, odd characters and what a narrow encoding shows instead."""

from __future__ import annotations

import json
import os
import shutil
import sys
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any, TextIO

from diagnose.report.lines import Line

WIDEST, NARROWEST = 100, 20
# Bold and two of the sixteen colours, as parameters of SGR (ECMA-48, 8.3.117): readable on light and dark grounds. The words carry the meaning.
STYLES = {"title": "1", "good": "32", "warn": "1", "danger": "1;31"}
_STAND_INS = {
    "°": "deg ",
    "Ω": "ohm",
    "µ": "u",
    "μ": "u",
    "²": "2",
    "³": "3",
    "·": ".",
    "–": "-",
    "—": "-",
    "×": "x",
    "≤": "<=",
    "≥": ">=",
    "±": "+/-",
    "∞": "infinite",
    "→": "->",
    "√": "root ",
    "φ": "phi",
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
}


def wants_colour(stream: TextIO, off: bool = False, environment: Mapping[str, str] | None = None) -> bool:
    """Colour only on a terminal, and not when NO_COLOR is set, TERM is dumb, or it is switched off."""
    env = os.environ if environment is None else environment
    if off or env.get("NO_COLOR") or env.get("TERM") == "dumb":
        return False
    return is_terminal(stream)


def is_terminal(stream: object) -> bool:
    """Whether a stream is a terminal; a closed or odd one is none."""
    try:
        return bool(stream.isatty())  # type: ignore[attr-defined]
    except (AttributeError, ValueError, OSError):
        return False


def width_of(stream: TextIO) -> int:
    """Columns to write into: those of the terminal or of COLUMNS, 80 without either, at most 100."""
    if os.environ.get("COLUMNS", "").isdigit():
        columns = shutil.get_terminal_size((80, 24)).columns
    else:
        try:
            columns = os.get_terminal_size(stream.fileno()).columns
        except (OSError, ValueError, AttributeError):
            columns = 80
    return max(NARROWEST, min(columns or 80, WIDEST))


def plain_text(text: str, encoding: str = "utf-8") -> str:
    """`text` safe to print: no control or invisible characters, stand-ins where the encoding lacks a sign."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    try:
        clean.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        clean = "".join(_narrow(c, encoding) for c in clean)
    return clean


def prompt_text(prompt: str, encoding: str = "utf-8") -> str:
    """A prompt of one or more lines, safe to print."""
    return "\n".join(plain_text(part, encoding) for part in prompt.split("\n"))


def _narrow(character: str, encoding: str) -> str:
    try:
        character.encode(encoding)
        return character
    except (UnicodeEncodeError, LookupError):
        pass
    stand_in = _STAND_INS.get(character) or unicodedata.normalize("NFKD", character)
    return stand_in.encode("ascii", "ignore").decode() or "?"


def render(line: Line, colour: bool, encoding: str = "utf-8") -> str:
    """A line as it goes to the terminal, without its line end."""
    text = plain_text(line.text, encoding).rstrip()
    style = STYLES.get(line.style) if colour else None
    return f"\x1b[{style}m{text}\x1b[0m" if style and text else text


def show(lines: Iterable[Line], stream: TextIO, colour: bool = False) -> None:
    """Print lines and flush them."""
    encoding = getattr(stream, "encoding", None) or "utf-8"
    for line in lines:
        stream.write(render(line, colour, encoding) + "\n")
    stream.flush()


def put(lines: Iterable[Line], no_color: bool = False) -> None:
    """Lines to stdout."""
    show(lines, sys.stdout, wants_colour(sys.stdout, no_color))


def put_json(value: Any) -> None:
    """A JSON value to stdout; ASCII where the encoding is narrow."""
    narrow = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") != "utf8"
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=narrow) + "\n")
    sys.stdout.flush()
