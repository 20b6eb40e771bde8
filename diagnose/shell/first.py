"""The first line, shown before anything heavy is imported."""

from __future__ import annotations

import sys
import textwrap
from contextlib import suppress

FIRST = (
    "Fault diagnosis for newly installed charging stations. "
    "Local codes, the maker's manual and licensed practice go first."
)


def first_line() -> None:
    """Say what this is."""
    from diagnose.shell.paint import width_of

    sys.stdout.write("\n".join(textwrap.wrap(FIRST, width_of(sys.stdout))) + "\n")
    sys.stdout.flush()


def engine_line() -> None:
    """Say on standard error where the plain matcher stands in for the rule engine. Raises EngineError."""
    from diagnose.inference.choice import choice
    from diagnose.report.lines import Line
    from diagnose.shell.paint import show

    why = choice().why
    if why and sys.stderr is not None:
        with suppress(OSError, ValueError):
            show([Line("text", why)], sys.stderr)
