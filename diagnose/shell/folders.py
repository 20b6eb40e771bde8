"""Where the program keeps its files, and the log of what went wrong inside it."""

from __future__ import annotations

import os
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path

from diagnose.source.problems import one_line


def state_folder() -> Path:
    """The folder for history and error log: the environment variable DIAGNOSE_STATE, else the user's own."""
    named = os.environ.get("DIAGNOSE_STATE", "")
    if named:
        return path_of(named)
    import platformdirs

    return Path(platformdirs.user_state_dir("diagnose", appauthor=False))


def history_file() -> Path | None:
    """Where typed lines are kept; None when DIAGNOSE_HISTORY is off."""
    if os.environ.get("DIAGNOSE_HISTORY", "").lower() in ("off", "no", "0"):
        return None
    return state_folder() / "history"


def error_log() -> Path:
    """Where tracebacks go."""
    return state_folder() / "errors.log"


def log_error(error: BaseException) -> str:
    """Write a traceback to the error log; returns one line that names it."""
    text = "".join(traceback.format_exception(error))
    what = one_line(f"{type(error).__name__}: {error}", 120)
    target = error_log()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("a", encoding="utf-8", errors="replace") as file:
            file.write(
                f"---- {datetime.now(UTC).isoformat(timespec='seconds')} {' '.join(sys.argv[1:])}\n{text}\n"
            )
    except OSError:
        return f"something went wrong inside ({what}), and the log {target} cannot be written"
    return f"something went wrong inside ({what}); the details are in {target}"


def path_of(text: str) -> Path:
    """The path that a person wrote, `~` as their home. A `~name` that nobody has stays as it is, and is found missing."""
    return Path(os.path.expanduser(text))
