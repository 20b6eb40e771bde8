"""What the command line says of an error. Imported when there is one: most runs do without it."""

from __future__ import annotations

import difflib
import sys

from diagnose.commandline.parser import Wrong
from diagnose.commandline.table import COMMANDS
from diagnose.shell.folders import log_error
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import InputError, PlainError, one_line

MOST_TOLD = 20  # mistakes of a file that are told, a line each


def unknown(word: str) -> Wrong:
    """A command that is not there, and the one that was meant."""
    close = difflib.get_close_matches(word, [c.name for c in COMMANDS if " " not in c.name], n=1)
    hint = f"did you mean {close[0]}?" if close else "see: diagnose --help"
    return Wrong(f"there is no command '{word}'; {hint}")


def complain(line: str) -> None:
    """A line on standard error, whatever its encoding can show."""
    text = one_line(line)
    encoding = getattr(sys.stderr, "encoding", None) or "utf-8"
    try:
        sys.stderr.write("diagnose: " + text.encode(encoding, "replace").decode(encoding) + "\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        return


def failed(error: Exception) -> int:
    """Say what went wrong, a line for each mistake; the exit code."""
    if isinstance(error, Wrong):
        complain(str(error))
        return 2
    if isinstance(error, InputError):
        for problem in error.problems[:MOST_TOLD]:
            complain(problem.line())
        if len(error.problems) > MOST_TOLD:
            complain(f"and {len(error.problems) - MOST_TOLD} more")
    elif isinstance(error, Refusal):
        complain(str(error))
        return error.code
    elif isinstance(error, PlainError):
        complain(str(error))
    elif isinstance(error, OSError):
        name = f" ({error.filename})" if error.filename else ""
        complain(f"{error.strerror or error}{name}; check the name and what may be written there")
    else:
        complain(log_error(error))
    return 2
