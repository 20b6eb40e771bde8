"""What a file of evidence shows, as lines of text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.evidence.drawing import Drawing, kept
from diagnose.report.events import reading_text
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.report.plot import sketch
from diagnose.source.problems import one_line

if TYPE_CHECKING:
    from diagnose.evidence.intake import Original
    from diagnose.evidence.report import Report
    from diagnose.knowledge import model as m

WIDEST_SKETCH = 80  # columns


def as_json(report: Report, original: Original) -> dict[str, Any]:
    """A report as JSON values."""
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
    lines = wrap("title", one_line(drawing.title), width)
    return lines + [Line("text", row) for row in sketch(drawing.trace, drawing.marks, min(width, WIDEST_SKETCH))]
