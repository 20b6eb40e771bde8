"""The first line, shown before anything heavy is imported."""

from __future__ import annotations

import sys
import textwrap

FIRST = (
    "Fault diagnosis for newly installed charging stations. "
    "Local codes, the maker's manual and licensed practice go first."
)


def first_line() -> None:
    """Say what this is."""
    from diagnose.shell.paint import width_of

    sys.stdout.write("\n".join(textwrap.wrap(FIRST, width_of(sys.stdout))) + "\n")
    sys.stdout.flush()
