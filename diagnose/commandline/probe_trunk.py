"""`diagnose probe trunk`: a live trunk without a case. Whoever runs it is asked first."""

from __future__ import annotations

import sys
from argparse import Namespace

from diagnose.probe.plan import ProbePlan
from diagnose.report.evidence_text import as_json, report_lines
from diagnose.report.lines import wrap
from diagnose.shell.desk import Desk
from diagnose.shell.paint import is_terminal, put, put_json, show, wants_colour, width_of
from diagnose.shell.records import read_record
from diagnose.shell.refusal import Refusal
from diagnose.shell.trunk_probe import QUESTION, caution_lines, plan_of, run_plan, time_lines

INTERRUPTED = 130


def trunk(words: Namespace) -> int:
    """Probe, and say what it shows; 130 when the person stopped it, 1 when something else ended it early."""
    site = None
    k = Desk(words.store, words.rules).knowledge
    if words.record:
        _, site = read_record(words.record, k)
    plan = plan_of(words, site)
    if not _may_begin(plan, bool(words.yes), words.no_color):
        show(wrap("text", "Nothing was asked.", width_of(sys.stderr)), sys.stderr)
        return 1
    probed = run_plan(words, plan, site)
    if words.json:
        put_json(as_json(probed.report, probed.original))
    else:
        width = width_of(sys.stdout)
        put([*report_lines(probed.report, probed.original, k, width), *time_lines(probed.measured, width)], words.no_color)
    if probed.measured.interrupted:
        return INTERRUPTED
    return 1 if probed.measured.stopped else 0


def _may_begin(plan: ProbePlan, yes: bool, no_color: bool) -> bool:
    """Ask the person, on standard error so that results can be piped. Raises Refusal where nobody can be asked."""
    if yes:
        return True
    if not (is_terminal(sys.stdin) and is_terminal(sys.stderr)):
        raise Refusal(
            "probing disturbs a controller that polls the same trunk; stop or disconnect it, then say so with --yes, since nobody can be asked here"
        )
    width = width_of(sys.stderr)
    show(caution_lines(plan, width), sys.stderr, wants_colour(sys.stderr, no_color))
    lines = wrap("title", QUESTION, width)
    while True:
        show(lines, sys.stderr, wants_colour(sys.stderr, no_color))
        sys.stderr.write("y/n> ")
        sys.stderr.flush()
        try:
            typed = sys.stdin.readline()
        except KeyboardInterrupt:
            sys.stderr.write("\n")  # what comes next begins on a line of its own
            raise
        if not typed:
            return False
        word = typed.strip().lower()
        if word in ("y", "yes"):
            return True
        if word in ("n", "no"):
            return False
        lines = wrap("warn", "Type y or n.", width)
