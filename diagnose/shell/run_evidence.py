"""`diagnose evidence FILE`: what a capture, log, waveform or transcript says, without a case."""

from __future__ import annotations

import sys
from argparse import Namespace
from typing import TYPE_CHECKING, Any, cast

from diagnose.report.events import reading_text
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell.folders import path_of
from diagnose.shell.paint import width_of
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import one_line

if TYPE_CHECKING:
    from typing import IO

    from diagnose.evidence.drawing import Drawing
    from diagnose.evidence.intake import Original
    from diagnose.evidence.report import Report
    from diagnose.knowledge import model as m


WIDEST_SKETCH = 80  # columns


def evidence(words: Namespace) -> int:
    """Recognise a file, read it, and say what it shows; nothing is recorded. 1 when there is nothing in it."""
    from diagnose.evidence.intake import read_stream, take_in
    from diagnose.evidence.reader import EvidenceError
    from diagnose.shell.desk import Desk
    from diagnose.shell.records import read_record
    from diagnose.shell.run_assess import put, put_json
    from diagnose.shell.run_cases import new_page, write_page

    site = None
    k = Desk(words.store, words.rules).knowledge
    page = path_of(words.page) if words.page else None
    if page is not None:
        new_page(page)  # before a long file is read for nothing
    if words.record:
        _, site = read_record(words.record, k)
    try:
        if words.file == "-":
            report, original = read_stream(cast("IO[bytes]", sys.stdin.buffer), "standard input", site, words.kind or "", words.at or "")
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


def as_json(report: Report, original: Original) -> dict[str, Any]:
    """A report as JSON values."""
    from diagnose.evidence.drawing import kept

    return {
        "format": 1,
        "kind": report.kind,
        "title": report.title,
        "file": {"name": original.name, "bytes": original.size, "sha256": original.sha256},
        "says": list(report.says),
        "readings": [t._asdict() for t in report.taken],
        "figures": dict(report.figures),
        "understood": report.understood,
        "not_understood": report.not_understood,
        "samples": list(report.samples),
        "drawings": kept(report.drawings),
    }


def report_lines(report: Report, original: Original, k: m.Knowledge | None, width: int) -> list[Line]:
    """A report as lines: what it is, what it shows, which readings it gives and from where, in the words of `k`."""
    lines = wrap("title", f"{one_line(original.name)}: {report.title}", width, "", "  ")
    lines += wrap("dim", f"{original.size} bytes, SHA-256 {original.sha256[:16]}...", width, "", "  ")
    lines += [x for text in report.says for x in wrap("text", one_line(text), width, "- ", "  ")]
    for drawing in report.drawings:
        lines += [BLANK, *sketch_lines(drawing, width)]
    if report.drawings:
        lines.append(BLANK)
    if report.taken:
        lines += [BLANK, *wrap("title", f"Readings ({len(report.taken)}):", width)]
        for t in report.taken:
            lines += wrap("text", one_line(reading_text(k, t.check, t.at, t.answer)), width, "- ", "  ")
            lines += wrap("dim", one_line(f"{t.because} ({t.lines})" if t.lines else t.because), width, "  ", "  ")
    else:
        lines += wrap("text", "No readings in it.", width)
    if report.not_understood:
        whole = report.understood + report.not_understood
        end = ", such as:" if report.samples else "."
        lines += wrap("warn", f"{report.not_understood} of {whole} pieces were not understood{end}", width)
        lines += [x for sample in report.samples[:3] for x in wrap("dim", one_line(sample, 120), width, "  ", "  ")]
    return lines


def sketch_lines(drawing: Drawing, width: int) -> list[Line]:
    """A drawing in plain characters under its title."""
    from diagnose.report.plot import sketch

    lines = wrap("title", one_line(drawing.title), width)
    return lines + [Line("text", row) for row in sketch(drawing.trace, drawing.marks, min(width, WIDEST_SKETCH))]
