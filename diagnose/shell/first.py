"""The first line and the first question, shown before anything heavy is imported."""

from __future__ import annotations

import sys
import textwrap
from contextlib import suppress
from typing import TYPE_CHECKING

from diagnose.inference.choice import choice
from diagnose.report.lines import Line, numbered, wrap
from diagnose.shell.dialog import Ask
from diagnose.shell.paint import show, width_of

if TYPE_CHECKING:
    from diagnose.knowledge.model import Check

FIRST = (
    "Fault diagnosis for newly installed charging stations. "
    "Local codes, the maker's manual and licensed practice go first."
)
NARROW = 60  # columns; below it no list that the question names already
SHORT_WAYS = "n for none. Else say what it is, or ? for the list."


def first_line() -> None:
    """Say what this is."""
    sys.stdout.write("\n".join(textwrap.wrap(FIRST, width_of(sys.stdout))) + "\n")
    sys.stdout.flush()


def engine_line() -> None:
    """Say on standard error where the plain matcher stands in for the rule engine. Raises EngineError."""
    why = choice().why
    if why and sys.stderr is not None:
        with suppress(OSError, ValueError):
            show([Line("text", why)], sys.stderr)


def first_ask(check: Check, width: int) -> Ask:
    """The danger question, with which every case begins."""
    words = (*check.outcome_ids, "do not know", *(p for o in check.outcomes for p in (o.says, *o.phrases)))
    help_lines = (*wrap("text", check.how, width), *numbered([o.says for o in check.outcomes], width))
    return Ask(lines=tuple(danger_lines(check, width)), prompt="danger signs (n: none)> ", words=words, help=help_lines)


def danger_lines(check: Check, width: int) -> list[Line]:
    """The danger question. It names the signs itself, so a narrow screen has no list of them below it."""
    ask = check.ask.replace("{place}", "any unit")
    lines = wrap("danger", f"First: {ask[:1].lower()}{ask[1:]}", width)
    if width < NARROW:
        return [*lines, *wrap("title", SHORT_WAYS, width)]
    return [*lines, *numbered([o.says for o in check.outcomes], width)]
