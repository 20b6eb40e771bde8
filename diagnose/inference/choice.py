"""Which machine draws the conclusions: the rule engine, or the plain matcher in its place. Decided here alone.

Both draw the same conclusions; tests hold them to it. So the program runs where the engine was not built.
The environment variable DIAGNOSE_ENGINE decides otherwise: `plain` takes the matcher, `durable-rules` refuses
to do without the engine, unset or `auto` takes what there is.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from diagnose.inference.library import EngineError, library
from diagnose.source.problems import shown

if TYPE_CHECKING:
    from diagnose.inference.expectations import Inferrer
    from diagnose.inference.terms import Rule

VARIABLE = "DIAGNOSE_ENGINE"
ENGINE, PLAIN, AUTO = "durable-rules", "plain", "auto"


class Choice(NamedTuple):
    """The machine, and in one line why it is the plain matcher though nobody asked for that."""

    engine: bool
    why: str = ""


def choice() -> Choice:
    """What this process uses. Raises EngineError for another value of the variable, and where the engine is
    demanded but cannot be loaded.
    """
    asked = os.environ.get(VARIABLE, "").strip().lower() or AUTO
    if asked not in (ENGINE, PLAIN, AUTO):
        raise EngineError(f"{VARIABLE} is {shown(asked)}; set it to {ENGINE} or {PLAIN}, or leave it unset")
    if asked == PLAIN:
        return Choice(False)
    try:
        library()
    except EngineError as error:
        if asked == ENGINE:
            raise
        return Choice(False, f"The plain matcher draws the conclusions, the same ones: {error}")
    return Choice(True)


def machine(rules: Sequence[Rule]) -> Inferrer:
    """The machine over `rules`. Raises EngineError as `choice` does."""
    if choice().engine:
        from diagnose.inference.engine import Engine

        return Engine(rules)
    from diagnose.inference.matcher import PlainMatcher

    return PlainMatcher(rules)


def title() -> str:
    """The machine and its release, such as `durable-rules 2.0.28`. Raises EngineError as `choice` does."""
    if not choice().engine:
        return "plain matcher"
    from importlib.metadata import PackageNotFoundError, version

    try:
        return f"{ENGINE} {version(ENGINE)}"
    except PackageNotFoundError:  # the library is there, what its installer wrote about it is not
        return ENGINE
