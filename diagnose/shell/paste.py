"""A pasted block of several lines: split, shown as understood, asked once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.casework.events import Event
from diagnose.casework.state import AnswerError
from diagnose.report.events import event_text
from diagnose.report.lines import wrap
from diagnose.shell.answers import Taken, at_text, per_place, understand, where
from diagnose.shell.dialog import Talk, pick
from diagnose.shell.evidence import looks_like, talk_block
from diagnose.shell.lookup import find_checks, split_read
from diagnose.shell.open_case import OpenCase
from diagnose.shell.taking import allowed, the_state
from diagnose.site.places import PlaceError
from diagnose.source.problems import one_line

if TYPE_CHECKING:
    from diagnose.shell.casebook import Row

MOST_LINES = 200


def talk_paste(s: OpenCase, text: str) -> Talk:
    """Evidence is read as such; else show what each line means. All of it is recorded after one question."""
    if looks_like(text):
        return (yield from talk_block(s, text))
    rows: list[Row] = []
    understood: list[str] = []
    notes: list[str] = []
    for line in [x.strip() for x in text.splitlines() if x.strip()][:MOST_LINES]:
        found = _line(s, line)
        rows += found
        for kind, data in found:
            event = Event(id="x", case="x", seq=1, at="", kind=kind, data=data, by="")
            understood.append(one_line(event_text(s.desk.knowledge, event)))
        if not found:
            notes.append(one_line(line))
    lines = wrap("title", f"Understood {len(understood)} of {len(understood) + len(notes)}:", s.width)
    lines += [x for u in understood for x in wrap("text", u, s.width, "- ", "  ")]
    if notes:
        lines += wrap("warn", "Not understood:", s.width)
        lines += [x for n in notes for x in wrap("text", n, s.width, "- ", "  ")]
    options = [("all", "record this"), ("none", "record nothing")]
    if notes and understood:
        options.insert(1, ("notes", "record this, and the rest as notes"))
    elif notes:
        options = [("notes", "record the lines as notes"), ("none", "record nothing")]
    chosen = yield from pick("Record it?", options, s.width, "number> ", before=lines)
    if chosen == "none":
        return s.here()
    if chosen == "notes":
        rows += [("note", {"text": n}) for n in notes]
    return s.save(rows)


def _line(s: OpenCase, line: str) -> list[Row]:
    """What one line records, nothing when it is not understood. Checks above the role are not taken."""
    site = the_state(s).site
    step = s.step
    check = s.desk.knowledge.checks.get(step.id) if step and step.kind == "check" else None
    try:
        if check is not None and step is not None:
            given = per_place(site, check, step.places, line)
            if given:
                return [
                    _row(s, check.id, at_text(p), understand(s.desk.knowledge, site, check, p, a))
                    for p, a in given
                ]
        words, place, answer = split_read(line.removeprefix("read "))
        if words and answer:
            named = find_checks(s, words, 2)
            if len(named) == 1 and allowed(s, named[0]):
                places = where(site, named[0].at, place) if place else ()
                if not places and len(site.places(named[0].at)) == 1:
                    places = site.places(named[0].at)
                taken = understand(s.desk.knowledge, site, named[0], places, answer)
                return [_row(s, named[0].id, at_text(places), taken)]
    except (AnswerError, PlaceError):
        return []
    return []


def _row(s: OpenCase, check: str, at: str, taken: object) -> Row:
    if not isinstance(taken, Taken):
        raise AnswerError("can be read in two ways")
    return "reading", {"check": check, "at": at, "answer": taken.text}
