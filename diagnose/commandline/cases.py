"""Commands over the store: list, export, import, verify; and where the files are."""

from __future__ import annotations

import sys
from argparse import Namespace

from diagnose.casework.store import default_path
from diagnose.casework.transfer import export_case, export_text, import_case
from diagnose.inference.choice import title
from diagnose.knowledge.load import cache_file, shipped_folder
from diagnose.report.lines import Line, labelled, wrap
from diagnose.shell.desk import Desk
from diagnose.shell.folders import error_log, history_file, path_of
from diagnose.shell.paint import put, put_json, width_of
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import one_line


def cases(words: Namespace) -> int:
    """`diagnose cases [WORDS]`: 1 when none fits."""
    desk = Desk(words.store, words.rules)
    try:
        found = desk.store.cases(" ".join(words.words))
    finally:
        desk.close()
    if words.json:
        put_json([{**c._asdict(), "state": c.state.split()[0], "stop_use": c.stop_use} for c in found])
        return 0 if found else 1
    width = width_of(sys.stdout)
    lines: list[Line] = []
    for c in found:
        mark, style = ("STOP USE  ", "danger") if c.stop_use else ("", "text")
        lines += wrap(style, f"{mark}{c.id}  {c.state.split()[0]}  {c.changed_at[:10]}  {one_line(c.title)}", width, "", "  ")
    put(
        lines or wrap("text", "No case." if not words.words else "No case has all these words.", width),
        words.no_color,
    )
    return 0 if found else 1


def export(words: Namespace) -> int:
    """`diagnose export ID [-o FILE]`; `-o -` writes to stdout."""
    desk = Desk(words.store, words.rules)
    try:
        case = desk.store.resolve(words.id)
        if words.output == "-":
            problems = desk.store.verify(case)
            if problems:
                raise Refusal(f"{problems[0]}; restore the case before exporting it")
            sys.stdout.flush()
            sys.stdout.buffer.write(export_text(desk.store.stored(case)))
            sys.stdout.buffer.flush()
            return 0
        target = path_of(words.output or f"{case}.jsonl")
        count = export_case(desk.store, case, target)
        stopped = desk.store.case(case).stop_use
    finally:
        desk.close()
    width = width_of(sys.stdout)
    put([*_stopped(stopped, width), *wrap("good", f"{count} entries of case {case} written to {target}.", width)], words.no_color)
    return 0


def _stopped(stopped: bool, width: int) -> list[Line]:
    """The mark of a case in which use is stopped."""
    return wrap("danger", "STOP USE stands in this case.", width) if stopped else []


def import_file(words: Namespace) -> int:
    """`diagnose import FILE`."""
    said = {
        "new": "taken over",
        "same": "is here already, nothing to add",
        "extended": "extended",
        "older": "is here already and goes further",
    }
    desk = Desk(words.store, words.rules)
    try:
        done = import_case(desk.store, words.file)
        stopped = desk.store.case(done.case).stop_use
    finally:
        desk.close()
    width = width_of(sys.stdout)
    added = f", {done.added} entries added" if done.added else ""
    lines = _stopped(stopped, width) + wrap(
        "good",
        f"Case {done.case} {said[done.outcome]}{added}; {done.events} entries, head {done.head[:12]}.",
        width,
    )
    if done.statement:
        lines += wrap("warn", f"! {one_line(done.statement)}", width, "", "  ")
    put(lines, words.no_color)
    return 0


def verify(words: Namespace) -> int:
    """`diagnose verify ID`: 1 when the log was changed or cut."""
    desk = Desk(words.store, words.rules)
    try:
        case = desk.store.resolve(words.id)
        problems = [*desk.store.verify(case), *desk.store.damage()]
        summary = desk.store.case(case)
    finally:
        desk.close()
    width = width_of(sys.stdout)
    lines = [line for p in problems for line in wrap("danger", one_line(p), width, "", "  ")]
    if not problems:
        lines = wrap(
            "good", f"Case {case} is whole: {summary.events} entries, head {summary.head}.", width, "", "  "
        )
    put(lines, words.no_color)
    return 1 if problems else 0


def paths(words: Namespace) -> int:
    """`diagnose paths`: the files, and the machine that draws the conclusions."""
    rows = [
        ("cases", words.store or str(default_path())),
        ("rules", words.rules or str(shipped_folder())),
        ("worked cases", str(shipped_folder("cases"))),
        ("cache", str(cache_file("x").parent)),
        ("history", str(history_file() or "off")),
        ("error log", str(error_log())),
        ("engine", title()),
    ]
    if words.json:
        put_json(dict(rows))
        return 0
    lines: list[Line] = []
    for label, value in rows:
        lines += labelled(label, value, max(width_of(sys.stdout), len(value) + 20))
    put(lines, words.no_color)
    return 0
