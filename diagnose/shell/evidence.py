"""Evidence in a running case: a file or pasted block is read, shown, and recorded when told."""

from __future__ import annotations

import io
from collections.abc import Callable, Generator, Mapping, Sequence

from diagnose.casework.state import AnswerError, raising, take_answer
from diagnose.evidence.drawing import kept
from diagnose.evidence.intake import Original, read_stream, take_in
from diagnose.evidence.reader import HEAD, EvidenceError, recognise
from diagnose.evidence.report import Report, TakenReading
from diagnose.knowledge.model import Check, a_role
from diagnose.report.evidence_text import report_lines
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell.answers import Taken, at_text, understand, where
from diagnose.shell.asking import ask_places
from diagnose.shell.casebook import Row
from diagnose.shell.dialog import Ask, Talk, once, pick
from diagnose.shell.folders import path_of
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import command
from diagnose.shell.taking import allowed, may_take_back, the_state
from diagnose.site.places import Place, PlaceError
from diagnose.source.problems import one_line

MOST_SAYS = 40
MOST_LINES = 20_000
END = "."
QUOTES = "'\""
SURE = 0.5
"""How sure a reader must be of a pasted block, where nobody has said that it is evidence."""
MOST_EXCERPT = 16_000  # characters of the original that are kept in the case


@command(
    "evidence", "[FILE [at PLACE]]", "read a capture, log, waveform or transcript; alone: lines pasted after it",
)
def take(s: OpenCase, rest: str) -> list[Line]:
    """`evidence FILE [at PLACE]`, or `evidence` alone and the lines themselves."""
    return s.talk(lambda: _talk(s, rest) if rest else _talk_lines(s))


def _talk(s: OpenCase, rest: str) -> Talk:
    name, _, at = rest.rpartition(" at ")
    if not name or _is_file(rest.strip(QUOTES)):
        name, at = rest, ""
    path = path_of(name.strip().strip(QUOTES))
    return (yield from _read(s, lambda said: take_in(path, the_state(s).site, "", said), at.strip()))


def _is_file(name: str) -> bool:
    try:
        return path_of(name).is_file()
    except OSError:  # a name that is too long
        return False


def _read(s: OpenCase, reader: Callable[[str], tuple[Report, Original]], at: str) -> Talk:
    """Read, ask where it was taken when that alone is missing, and offer it."""
    try:
        report, original = yield from once(f"read at {at}", lambda: reader(at))
        units = the_state(s).site.places("unit")
        if report.figures.get("not_taken") and not at and len(units) > 1:
            places = yield from ask_places(s, the_state(s).site, "unit", f"{report.title} of one unit")
            if len(places) == 1:
                named = str(places[0])
                report, original = yield from once(f"read at {named}", lambda: reader(named))
    except EvidenceError as error:
        raise Refusal(one_line(str(error))) from None
    return (yield from offer(s, report, original))


def _talk_lines(s: OpenCase) -> Talk:
    """Lines typed or pasted one by one; a block that a terminal pastes as one comes by `talk_block`."""
    hint = f"Paste the lines, then a line with a single dot ({END}). Or, for a file: evidence FILE."
    ask = Ask(tuple(wrap("title", hint, s.width)), "", raw=True)
    lines: list[str] = []
    while (typed := (yield ask)).strip() != END:
        lines.append(typed)
        if len(lines) > MOST_LINES:
            raise Refusal(f"more than {MOST_LINES} lines; save them in a file and write evidence FILE")
        ask = Ask((), "", raw=True)
    return (yield from talk_block(s, "\n".join(lines) + "\n"))


def looks_like(text: str) -> bool:
    """Whether a pasted block is evidence rather than answers typed for several places."""
    found = recognise(text.encode("utf-8", "replace")[:HEAD], "")
    return bool(found) and found[0][0] >= SURE


def talk_block(s: OpenCase, text: str) -> Talk:
    """A pasted block as evidence."""
    data = text.encode("utf-8", "replace")
    return (yield from _read(s, lambda at: read_stream(io.BytesIO(data), "pasted block", the_state(s).site, "", at), ""))


def offer(s: OpenCase, report: Report, original: Original, more: Sequence[Line] = ()) -> Talk:
    """Show what evidence says, `more` behind it, and record it when told; asks whether it replaces earlier answers."""
    k = s.desk.knowledge
    lines = [*report_lines(report, original, k, s.width), *more]
    at = yield from _places_of(s, report, lines)
    lines = [] if at else lines  # they were shown before the question where it was taken
    rows: list[Row] = []
    for found in report.taken:
        row, why_not = _row(s, found, at)
        if row is not None:
            rows.append(row)
        else:
            check = k.checks.get(found.check)
            lines += wrap("warn", f"Not taken: {check.title if check else found.check}: {why_not}", s.width, "", "  ")
    attached: Row = (
        "attached",
        {
            "name": one_line(original.name, 200) or "evidence", "sha256": original.sha256, "bytes": original.size,
            "kind": report.kind, "beginning": original.excerpt[:MOST_EXCERPT],
            "says": [one_line(x) for x in report.says[:MOST_SAYS]], "drawings": kept(report.drawings),
        },
    )  # fmt: skip
    telling = [row for row in rows if _tells(s, row)]
    options = [
        ("all", f"record {'the reading' if len(rows) == 1 else f'the {len(rows)} readings'} and attach the file"),
        ("attach", "attach the file, and record only what tells of danger" if telling else "attach the file only"),
        ("none", "record nothing: it is not from here" if telling else "record nothing"),
    ]
    chosen = yield from pick("Record it?", options if rows else options[1:], s.width, "number> ", before=lines)
    if chosen == "none":
        return s.here()
    if chosen == "attach":
        return s.save([attached, *telling])
    return s.save([attached, *rows, *(yield from _replaced(s, rows))])


def _replaced(s: OpenCase, rows: Sequence[Row]) -> Generator[Ask, str, list[Row]]:
    """What has to be taken back, and put again for the other places, when the new readings replace answers given before."""
    k, state = s.desk.knowledge, the_state(s)
    new: dict[str, set[Place]] = {}
    for _, data in rows:
        check = k.checks[str(data["check"])]
        new.setdefault(check.id, set()).update(where(state.site, check.at, str(data["at"])) if data["at"] else ())
    earlier = [
        r for r in state.readings
        if set(r.places) & new.get(r.check, set()) and r.after == len(state.mended) and r.outcome and not may_take_back(s, r.event)
    ]  # fmt: skip
    if not earlier:
        return []
    told = "; ".join(s.desk.assessor.tell(r) for r in earlier)
    options = [("replace", "the new readings replace that"), ("both", "both stand, they were two observations")]
    if (yield from pick(f"Answered before: {one_line(told)}.", options, s.width, "number> ")) == "both":
        return []
    found: list[Row] = []
    for r in earlier:
        found.append(("withdrawn", {"event": r.event}))
        others = tuple(p for p in r.places if p not in new[r.check])
        if others:
            found.append(("reading", {"check": r.check, "at": at_text(others), "answer": r.text, "complaint": r.complaint}))
    return found


def _places_of(s: OpenCase, report: Report, before: Sequence[Line]) -> Generator[Ask, str, dict[str, tuple[Place, ...]]]:
    """Where readings without a place were taken, asked once for each kind of place; empty where nothing has to be asked."""
    k, site = s.desk.knowledge, the_state(s).site
    at: dict[str, tuple[Place, ...]] = {}
    for found in report.taken:
        check = k.checks.get(found.check)
        if check is None or found.at or check.at in at or len(site.places(check.at)) < 2 or not _may_count(s, check):
            continue
        asked = ask_places(s, site, check.at, report.title, known=True)
        ask = next(asked)
        ask = ask._replace(lines=(*before, BLANK, *ask.lines)) if not at else ask
        try:
            while True:
                ask = asked.send((yield ask))
        except StopIteration as end:
            at[check.at] = end.value
    return at


def _may_count(s: OpenCase, check: Check) -> bool:
    """Whether a reading of this check could be recorded: by this role, or because it could tell of a danger."""
    return allowed(s, check) or any(c == check.id for c, _ in raising(s.desk.knowledge))


def _row(s: OpenCase, found: TakenReading, at: Mapping[str, tuple[Place, ...]]) -> tuple[Row | None, str]:
    """The reading as a row of the case, or why it cannot be taken."""
    check = s.desk.knowledge.checks.get(found.check)
    if check is None:
        return None, "this rule base has no such check"
    site = the_state(s).site
    try:
        places = where(site, check.at, found.at) if found.at else at.get(check.at) or site.places(check.at)[:1]
        taken = understand(s.desk.knowledge, site, check, places, found.answer)
    except (AnswerError, PlaceError) as error:
        return None, one_line(str(error))
    if not isinstance(taken, Taken):
        return None, "its value can be read in two ways"
    data = {"check": check.id, "at": at_text(places), "answer": taken.text, "from": one_line(found.because)}
    if allowed(s, check):
        return ("reading", data), ""
    if _is_dangerous(s, check, places, taken.text):  # whoever took the file: danger waits for nobody's role
        return ("reading", {**data, "reported-by": "the file"}), ""
    return None, f"it belongs to {a_role(check.role)}; somebody qualified reports it"


def _tells(s: OpenCase, row: Row) -> bool:
    """Whether a reading that would be recorded tells of danger."""
    check = s.desk.knowledge.checks[str(row[1]["check"])]
    at = str(row[1]["at"])
    return _is_dangerous(s, check, where(the_state(s).site, check.at, at) if at else (), str(row[1]["answer"]))


def _is_dangerous(s: OpenCase, check: Check, places: tuple[Place, ...], answer: str) -> bool:
    k = s.desk.knowledge
    outcome, _, _ = take_answer(k, the_state(s).site, check, places, answer)
    return (check.id, str(outcome)) in raising(k)
