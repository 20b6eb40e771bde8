"""Evidence in a running case: a file is read, shown, and recorded after one question."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.casework.state import AnswerError
from diagnose.report.lines import Line, wrap
from diagnose.shell.answers import Taken, at_text, understand, where
from diagnose.shell.dialog import Talk, pick
from diagnose.shell.refusal import Refusal
from diagnose.shell.run_evidence import report_lines
from diagnose.shell.taking import allowed, the_state
from diagnose.site.places import PlaceError
from diagnose.source.problems import one_line

if TYPE_CHECKING:
    from diagnose.evidence.base import Report
    from diagnose.evidence.base import Taken as Found
    from diagnose.evidence.intake import Original
    from diagnose.shell.casebook import Row
    from diagnose.shell.session import Session

MOST_SAYS = 40
MOST_EXCERPT = 16_000  # characters of the original that are kept in the case


def take(s: Session, rest: str) -> list[Line]:
    """`evidence FILE`."""
    if not rest:
        raise Refusal("which file? for instance: evidence capture.log")
    return s.talk(lambda: _talk(s, rest))


def _talk(s: Session, name: str) -> Talk:
    from diagnose.evidence.base import EvidenceError
    from diagnose.evidence.intake import take_in

    state = the_state(s)
    try:
        report, original = take_in(Path(name).expanduser(), state.site)
    except EvidenceError as error:
        raise Refusal(one_line(str(error))) from None
    return (yield from offer(s, report, original))


def offer(s: Session, report: Report, original: Original, more: Sequence[Line] = ()) -> Talk:
    """Show what evidence says, `more` behind it, and record it after one question."""
    from diagnose.evidence.drawing import kept

    k = s.desk.knowledge
    lines = [*report_lines(report, original, {c.id: c.title for c in k.checks.values()}, s.width), *more]
    rows: list[Row] = []
    for found in report.taken:
        row, why_not = _row(s, found)
        if row is not None:
            rows.append(row)
        else:
            lines += wrap("warn", f"Not taken: {found.check}: {why_not}", s.width, "", "  ")
    attached: Row = (
        "attached",
        {
            "name": one_line(original.name, 200) or "evidence", "sha256": original.sha256, "bytes": original.size,
            "kind": report.kind, "beginning": original.excerpt[:MOST_EXCERPT],
            "says": [one_line(x) for x in report.says[:MOST_SAYS]], "drawings": kept(report.drawings),
        },
    )  # fmt: skip
    options = [("all", f"record the {len(rows)} readings and attach the file"), ("attach", "attach the file only"), ("none", "record nothing")]
    chosen = yield from pick("Record it?", options if rows else options[1:], s.width, "number> ", before=lines)
    if chosen == "none":
        return s.here()
    return s.save([attached, *rows] if chosen == "all" else [attached])


def _row(s: Session, found: Found) -> tuple[Row | None, str]:
    """The reading as a row of the case, or why it cannot be taken."""
    check = s.desk.knowledge.checks.get(found.check)
    if check is None:
        return None, "this rule base has no such check"
    if not allowed(s, check):
        return None, f"it belongs to a {check.role}; somebody qualified reports it"
    site = the_state(s).site
    try:
        places = where(site, check.at, found.at) if found.at else site.places(check.at)[:1]
        taken = understand(s.desk.knowledge, site, check, places, found.answer)
    except (AnswerError, PlaceError) as error:
        return None, one_line(str(error))
    if not isinstance(taken, Taken):
        return None, "its value can be read in two ways"
    return ("reading", {"check": check.id, "at": at_text(places), "answer": taken.text, "from": one_line(found.because)}), ""
