"""`diagnose probe network`: the way to the back office without a case."""

from __future__ import annotations

import sys
from argparse import Namespace

from diagnose.report.evidence_text import as_json, report_lines
from diagnose.shell.desk import Desk
from diagnose.shell.network_probe import network_report
from diagnose.shell.paint import put, put_json, width_of
from diagnose.shell.records import read_record

INTERRUPTED = 130


def network(words: Namespace) -> int:
    """Probe, and say what it shows; 130 when it was stopped before its end."""
    site = None
    k = Desk(words.store, words.rules).knowledge
    if words.record:
        _, site = read_record(words.record, k)
    report, original = network_report(words, site)
    if words.json:
        put_json(as_json(report, original))
    else:
        put(report_lines(report, original, k, width_of(sys.stdout)), words.no_color)
    return INTERRUPTED if report.figures["interrupted"] else 0
