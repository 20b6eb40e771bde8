"""What the tests of the shell share."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from diagnose.shell.router import Router

ROOT = Path(__file__).resolve().parents[2]
HARBOUR = str(ROOT / "tests" / "sites" / "harbour-12.yaml")
PYTHON = sys.executable


def environment(folder: Path, **more: str) -> dict[str, str]:
    """Variables for a run of the program with all its files in `folder`."""
    kept = {
        k: v
        for k, v in os.environ.items()
        if k not in ("NO_COLOR", "ACCESSIBLE", "COLUMNS", "DIAGNOSE_HISTORY")
    }
    return {
        **kept,
        "PYTHONPATH": str(ROOT),
        "DIAGNOSE_STORE": str(folder / "cases.db"),
        "DIAGNOSE_STATE": str(folder / "state"),
        "TERM": "xterm",
        "PYTHONIOENCODING": "utf-8",
        **more,
    }


def say(session: Router, *typed: str) -> str:
    """Type lines; the text of the last answer."""
    lines = session.start() if not typed else []
    for text in typed:
        lines = session.handle(text)
    return "\n".join(line.text for line in lines)


def flat(text: str) -> str:
    """Text without its line breaks, to look for words in."""
    return " ".join(text.split())
