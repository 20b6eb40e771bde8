"""Commands that show a stored case: its log with what follows from it, and its page."""

from __future__ import annotations

import sys
from argparse import Namespace

from diagnose.report.events import log_lines
from diagnose.report.jsonview import assessment
from diagnose.report.lines import BLANK, wrap
from diagnose.report.text import whole_lines
from diagnose.shell.desk import Desk
from diagnose.shell.folders import path_of
from diagnose.shell.pages import page_of, write_page
from diagnose.shell.paint import put, put_json, width_of


def show_case(words: Namespace) -> int:
    """`diagnose show ID`."""
    desk = Desk(words.store, words.rules)
    try:
        case = desk.store.resolve(words.id)
        events = desk.store.events(case)
        a = desk.assessor.assess(events)
        if words.json:
            put_json(
                {
                    "format": 1,
                    "case": case,
                    "events": [e._asdict() for e in events],
                    "assessment": assessment(a),
                }
            )
            return 0
        width = width_of(sys.stdout)
        lines = wrap("title", f"Case {case}", width)
        lines += [*log_lines(desk.knowledge, events, width), BLANK, *whole_lines(desk.knowledge, a, width)]
        put(lines, words.no_color)
    finally:
        desk.close()
    return 0


def report(words: Namespace) -> int:
    """`diagnose report ID [-o FILE]`; `-o -` writes to stdout."""
    desk = Desk(words.store, words.rules)
    try:
        case = desk.store.resolve(words.id)
        page = page_of(desk, case)
    finally:
        desk.close()
    if words.output == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(page.encode())
        sys.stdout.buffer.flush()
        return 0
    target = path_of(words.output or f"{case}.html")
    write_page(target, page)
    put(wrap("good", f"Page of case {case} written to {target}.", width_of(sys.stdout)), words.no_color)
    return 0
