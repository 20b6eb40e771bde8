"""`diagnose rules test` and `diagnose rules selfplay`: whether the rule base tells what its worked cases want, and its own faults apart."""

from __future__ import annotations

import os
import sys
from argparse import Namespace
from pathlib import Path
from typing import Any

from diagnose.casework.assess import Assessor, plain
from diagnose.drill.selfplay import sweep
from diagnose.drill.worked import Judge, misses, read_worked
from diagnose.knowledge.checkout import here
from diagnose.knowledge.load import load, shipped_folder
from diagnose.report.lines import Line, wrap
from diagnose.shell.folders import path_of
from diagnose.shell.paint import put, put_json, width_of
from diagnose.shell.records import read_record
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import nearest, one_line, shown


def test(words: Namespace) -> int:
    """`diagnose rules test [FILE...]`: 1 when a worked case does not come out."""
    cases = read_worked([path_of(f) for f in words.files] or _worked_files())
    told: list[dict[str, Any]] = []
    for case, wrong in misses(Judge(load(path_of(words.rules) if words.rules else None)), cases):
        if wrong:
            told.append({"case": case.name, "file": case.mark.file, "line": case.mark.line, "wrong": wrong})
        if wrong and not words.json:
            put([Line("title", one_line(f"{case.mark.file}:{case.mark.line}: {case.name}"))], words.no_color)
            put([line for text in wrong for line in wrap("text", one_line(text), width_of(sys.stdout), "  ", "    ")], words.no_color)
    if words.json:
        put_json({"format": 1, "cases": len(cases), "failed": told})
    else:
        put(
            wrap(
                "text",
                (
                    f"{_counted(len(cases), 'worked case')}: "
                    f"{f'{len(told)} not as expected' if told else 'all as expected'}."
                ),
                width_of(sys.stdout),
            ),
            words.no_color,
        )
    return 1 if told else 0


def _worked_files() -> list[Path]:
    """The worked cases of the checkout: that of the current folder, else the one that the program runs from."""
    root = here()
    folders = [Path(os.path.relpath(root / "tests/worked"))] if root else [shipped_folder().parent / "tests/worked"]
    found = [file for folder in folders for file in sorted(folder.glob("*.yaml"))]
    if not found:
        raise Refusal("there are no worked cases here; name a file of them, or go into a checkout")
    return found


def selfplay(words: Namespace) -> int:
    """`diagnose rules selfplay SITE`: 1 when a hidden fault is not found."""
    if words.seeds < 1 or words.every < 1:
        raise Refusal("--seeds and --every are numbers from 1")
    k = load(path_of(words.rules) if words.rules else None)
    record, _ = read_record(_site(words.site), k)
    runs = 0
    missed: list[dict[str, Any]] = []
    for run in sweep(Assessor(k, plain), record, words.seeds, every=words.every):
        runs += 1
        if run.found:
            continue
        missed.append(
            {
                "fault": run.fault, "at": str(run.place), "named": run.named, "named_at": run.named_at,
                "probability": run.probability, "rank": run.rank or None,
            }
        )
        if not words.json:
            rank = f"its remedy has rank {run.rank}" if run.rank else "its remedy is not listed"
            text = f"{run.fault} at {run.place}: taken for {run.named} at {run.named_at or 'no place'} ({run.probability:.0%}); {rank}"
            put(wrap("text", text, width_of(sys.stdout), "", "  "), words.no_color)
    if words.json:
        put_json({"format": 1, "runs": runs, "missed": missed})
    else:
        put(wrap("text", f"{_counted(runs, 'fault')} hidden: {len(missed)} missed.", width_of(sys.stdout)), words.no_color)
    return 1 if missed else 0


def _counted(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _site(name: str) -> str:
    """A record by its path, or by its bare name in the checkout's tests/sites."""
    folder = (here() or shipped_folder().parent) / "tests" / "sites"
    own = folder / f"{name}.yaml"
    if path_of(name).is_file() or not own.is_file():
        known = [p.stem for p in sorted(folder.glob("*.yaml"))]
        if not path_of(name).is_file() and known:
            raise Refusal(f"there is no record {shown(name)}; {nearest(name, known) or 'name a YAML file, or one of: ' + ', '.join(known)}")
        return name
    return str(own)
