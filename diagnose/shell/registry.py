"""The commands of a case. Each is registered beside its function, in one row that says all there is to know of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from diagnose.report.lines import Line
from diagnose.shell.completing import Words, nothing
from diagnose.shell.open_case import OpenCase

Do = Callable[[OpenCase, str], list[Line]]


class Command(NamedTuple):
    """A command: what is typed, what it takes, what it says of itself in the help, what it does.

    `also` are other words for it. `alone`: with anything behind it, it is no command but something said.
    `words` tells what may stand behind it, for the Tab key. A name with a hyphen may be typed as two words.
    """

    name: str
    takes: str
    says: str
    do: Do
    also: tuple[str, ...]
    alone: bool
    words: Words


NAMES: dict[str, Command] = {}
"""Every word that begins a command. Filled as the modules with commands are imported; `commands` imports all of them."""


def command(
    name: str, takes: str, says: str, *, also: tuple[str, ...] = (), alone: bool = False, words: Words = nothing
) -> Callable[[Do], Do]:
    """Register the function below as a command."""

    def register(do: Do) -> Do:
        row = Command(name=name, takes=takes, says=says, do=do, also=also, alone=alone, words=words)
        for word in (name, *also):
            assert word not in NAMES, f"two commands are called {word}"
            NAMES[word] = row
        return do

    return register


def split(text: str) -> tuple[str, str]:
    """The first word of a line in small letters, and the rest; `made safe` and `what if` are one word each."""
    word, _, rest = text.partition(" ")
    word, rest = word.lower(), rest.strip()
    second = rest.split(" ", 1)[0].lower()
    if second and f"{word}-{second}" in NAMES:
        return f"{word}-{second}", rest[len(second) :].strip()
    return word, rest
