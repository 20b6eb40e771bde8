"""`diagnose rules check`: every problem of the rule base at its line."""

from __future__ import annotations

import sys
from argparse import Namespace

from diagnose.inference.check import check_strata
from diagnose.inference.compile import compile_rules
from diagnose.knowledge.checkout import is_of_here
from diagnose.knowledge.load import build, shipped_folder
from diagnose.report.lines import wrap
from diagnose.shell.folders import path_of
from diagnose.shell.paint import put, put_json, width_of
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import shown

COUNTED = ("faults", "checks", "rules", "mechanisms", "remedies", "cautions", "sources")


def check(words: Namespace) -> int:
    """Problems, one line each, and counts; 2 when there is a problem."""
    given = words.folder or words.rules
    folder = path_of(given) if given else shipped_folder()
    if not folder.is_dir():
        raise Refusal(f"there is no folder of rules {shown(str(folder))}; name one")
    knowledge, problems = build(folder)
    if not problems:
        problems = check_strata(knowledge, compile_rules(knowledge))
    counts = {name: len(getattr(knowledge, name)) for name in COUNTED}
    if words.json:
        put_json(
            {
                "format": 1,
                "problems": [
                    {
                        "file": p.mark.file,
                        "line": p.mark.line,
                        "column": p.mark.column,
                        "message": p.message,
                        "hint": p.hint,
                        "lint": p.lint,
                    }
                    for p in problems
                ],
                "counts": counts,
                "folder": str(folder.absolute()),
            }
        )
    else:
        for problem in problems:
            sys.stdout.write(
                problem.line()
                .encode(sys.stdout.encoding or "utf-8", "replace")
                .decode(sys.stdout.encoding or "utf-8")
                + "\n"
            )
        text = ", ".join(f"{n} {name if n != 1 else name[:-1]}" for name, n in counts.items())
        state = f"{len(problems)} problem{'s' if len(problems) != 1 else ''}" if problems else "no problems"
        where = "" if is_of_here(folder) else f" Read from {folder.absolute()}."
        put(wrap("text", f"{text}: {state}.{where}", width_of(sys.stdout)), words.no_color)
    return 2 if problems else 0
