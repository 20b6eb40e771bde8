"""`diagnose evidence FILE`: what a capture, log, waveform or transcript says, without a case."""

from __future__ import annotations

import sys
from argparse import Namespace
from typing import IO, cast

from diagnose.evidence.intake import read_stream, take_in
from diagnose.evidence.reader import EvidenceError
from diagnose.report.evidence_text import as_json, report_lines
from diagnose.shell.desk import Desk
from diagnose.shell.folders import path_of
from diagnose.shell.pages import new_page, write_page
from diagnose.shell.paint import put, put_json, width_of
from diagnose.shell.records import read_record
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import one_line


def evidence(words: Namespace) -> int:
    """Recognise a file, read it, and say what it shows; nothing is recorded. 1 when there is nothing in it."""
    site = None
    k = Desk(words.store, words.rules).knowledge
    page = path_of(words.page) if words.page else None
    if page is not None:
        new_page(page)  # before a long file is read for nothing
    if words.record:
        _, site = read_record(words.record, k)
    try:
        if words.file == "-":
            report, original = read_stream(cast(IO[bytes], sys.stdin.buffer), "standard input", site, words.kind or "", words.at or "")
        else:
            report, original = take_in(path_of(words.file), site, words.kind or "", words.at or "")
    except EvidenceError as error:
        raise Refusal(one_line(str(error))) from None
    if page is not None:
        from diagnose.report.page import evidence_page

        write_page(page, evidence_page(report, original, k))
    if words.json:
        put_json(as_json(report, original))
    else:
        put(report_lines(report, original, k, width_of(sys.stdout)), words.no_color)
    return 0 if report.taken or report.understood else 1
