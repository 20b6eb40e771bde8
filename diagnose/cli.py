"""The command line."""

from __future__ import annotations

import json
import sys
from pathlib import Path


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    if words[:2] == ["rules", "check"]:
        from diagnose.knowledge.load import build, shipped_folder

        knowledge, problems = build(Path(words[2]) if len(words) > 2 and words[2] != "--json" else shipped_folder())
        counts = {n: len(getattr(knowledge, n)) for n in ("faults", "checks", "rules", "mechanisms", "remedies", "sources")}
        for problem in problems:
            print(problem.line())
        print(json.dumps(counts))
        return 2 if problems else 0
    print("usage: diagnose rules check", file=sys.stderr)
    return 2
