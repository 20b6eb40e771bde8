"""Commands over files: assess a case file, replay a worked case, audit an install record."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from diagnose.casework.casefile import EPOCH, CaseFile, Expect, read_case
from diagnose.casework.events import Event
from diagnose.drill.play import Played, Turn, play_file
from diagnose.knowledge import model as m
from diagnose.knowledge.load import shipped_folder
from diagnose.report.events import event_text
from diagnose.report.jsonview import assessment, finding, step
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.report.text import leading_lines, minutes, stop_lines, suspect_lines, whole_lines
from diagnose.shell.desk import Desk
from diagnose.shell.first import engine_line
from diagnose.shell.folders import path_of
from diagnose.shell.paint import put, put_json, width_of
from diagnose.shell.records import read_record
from diagnose.shell.refusal import Refusal
from diagnose.site.places import describe
from diagnose.source.problems import InputError, nearest, one_line, shown


def _case(desk: Desk, name: str, shipped: bool) -> CaseFile:
    return read_case(find_file(name, shipped), desk.knowledge, name)


def find_file(name: str, shipped: bool) -> Path:
    """A case file by its path or, where `shipped` says so, by the bare name of one of the program's own."""
    path = path_of(name)
    if path.is_file():
        return path
    if shipped:
        folder = shipped_folder("cases")
        known = {p.stem: p for p in sorted(folder.glob("*.yaml"))} if folder.is_dir() else {}
        if name.removesuffix(".yaml") in known:
            return known[name.removesuffix(".yaml")]
        hint = nearest(name, known) or "name a case file"
        raise Refusal(f"there is no case file {shown(name)}; {hint}")
    raise Refusal(f"there is no case file {shown(name)}; name a YAML file that begins with 'case: 1'")


def assess(words: Namespace) -> int:
    """`diagnose assess FILE`."""
    desk = Desk(words.store, words.rules)
    case = _case(desk, words.file, False)
    events = case.events()
    if words.role:
        last = events[-1]
        events = (
            *events,
            Event(
                id="role", case=last.case, seq=last.seq + 1, at=last.at, kind="role", data={"role": words.role},
                by=words.role,
            ),
        )
    a = desk.assessor.assess(events)
    if words.json:
        put_json(assessment(a))
    else:
        put(whole_lines(desk.knowledge, a, width_of(sys.stdout)), words.no_color)
    return 0


# ---- replay


def replay(words: Namespace) -> int:
    """`diagnose replay FILE`: 1 when what the case expects does not come out."""
    desk = Desk(words.store, words.rules)
    case = _case(desk, words.file, True)
    engine_line()
    player = play_file(desk.assessor, case)
    width = width_of(sys.stdout)
    turns: list[Turn] = []
    if not words.json:
        put(_opening_lines(desk, case, player.events, width), words.no_color)
    for turn in player.turns():
        turns.append(turn)
        if not words.json:
            put(_turn_lines(desk, turn, width), words.no_color)
    played = player.finish()
    differs = difference(desk.knowledge, case.expect, played) if case.expect else ""
    if words.json:
        put_json(_replay_json(case, turns, played, differs))
    else:
        put(_ending_lines(case, played, differs, width), words.no_color)
    return 1 if differs else 0


def difference(k: m.Knowledge, expect: Expect, played: Played) -> str:
    """What differs, at the end of a worked case, from what it expects, in one line, or nothing."""
    if expect.fault not in k.faults:
        return f"the fault {shown(expect.fault)} is not in this rule base"
    first = played.last.suspects[0] if played.last.suspects else None
    if first is None or first.fault != expect.fault:
        return f"expected {expect.fault}, found {first.fault if first else 'nothing'} first"
    likeliest = [p for p, x in first.places if x >= first.places[0][1] - 1e-9]
    if expect.place is not None and expect.place not in likeliest:
        return f"expected {expect.fault} at {expect.place}, found it at {first.places[0][0]}"
    if first.probability < expect.confidence - 1e-9:
        return f"expected {expect.fault} with {expect.confidence:.2f}, found it with {first.probability:.2f}"
    if played.asked > expect.steps:
        return f"expected at most {expect.steps} steps before the repair, took {played.asked}"
    if k.faults[expect.fault].nature == "fault" and not played.proved:
        return f"expected the repair of {expect.fault} to be proved, it was not"
    return ""


def _opening_lines(desk: Desk, case: CaseFile, events: Sequence[Event], width: int) -> list[Line]:
    lines = wrap("title", one_line(case.title), width)
    for event in events[1:]:
        lines += wrap("text", one_line(event_text(desk.knowledge, event)), width, "- ", "  ")
    return lines


def _turn_lines(desk: Desk, turn: Turn, width: int) -> list[Line]:
    check = desk.knowledge.checks.get(turn.step.id)
    word = "Repair: " if turn.step.kind == "remedy" else ""
    lines = [BLANK, *leading_lines(turn.before, width)]
    lines += wrap(
        "title",
        f"{turn.number}  {word}{turn.step.title}, {describe(turn.step.places)} ({minutes(turn.minutes)})",
        width,
        "",
        "   ",
    )
    for places, text in turn.answers:
        outcome = check.outcome(text) if check and turn.step.kind == "check" else None
        where = f"{describe(places)}: " if len(turn.answers) > 1 else ""
        lines += wrap("good", f"{where}{outcome.says if outcome else one_line(text)}", width, "   ", "   ")
    return lines


def _ending_lines(case: CaseFile, played: Played, differs: str, width: int) -> list[Line]:
    lines = [
        BLANK,
        *stop_lines(played.last, width),
        *wrap("title", "At the end, the proof included:", width),
        *suspect_lines(played.last, width, 3),
    ]
    if played.proved:
        lines += wrap("good", "The repair is proved; the case can be closed.", width)
    elif any(p.failed for p in played.last.proofs):
        lines += wrap("warn", "A repair was not proved.", width)
    lines += wrap(
        "text", f"{played.asked} steps before the repair, about {minutes(played.minutes)} in all.", width
    )
    if differs:
        lines += wrap("danger", f"Not as expected: {differs}.", width)
    elif case.expect:
        lines += wrap("good", "As expected.", width)
    return lines


def _replay_json(case: CaseFile, turns: Sequence[Turn], played: Played, differs: str) -> dict[str, Any]:
    return {
        "format": 1,
        "title": case.title,
        "turns": [
            {
                "number": t.number,
                "step": step(t.step),
                "minutes": round(t.minutes, 1),
                "answers": [
                    {"places": [str(p) for p in places], "answer": text} for places, text in t.answers
                ],
                "suspects": [
                    {"fault": s.fault, "probability": round(s.probability, 6)} for s in t.before.suspects[:3]
                ],
            }
            for t in turns
        ],
        "asked": played.asked,
        "minutes": round(played.minutes, 1),
        "proved": played.proved,
        "as_expected": not differs if case.expect else None,
        "differs": differs,
        "last": assessment(played.last),
    }


# ---- audit


def audit(words: Namespace) -> int:
    """`diagnose audit RECORD`: 1 when the record breaks a rule."""
    desk = Desk(words.store, words.rules)
    try:
        record, site = read_record(words.file, desk.knowledge)
    except InputError as error:
        if len(error.problems) == 1:
            raise
        put([Line("text", p.line()) for p in error.problems], words.no_color)
        raise Refusal(f"{len(error.problems)} problems in {shown(words.file)}; nothing was audited") from None
    opened = Event(
        id="e1",
        case="audit",
        seq=1,
        at=EPOCH,
        kind="opened",
        data={"title": "audit", "record": record, "role": "technician"},
        by="technician",
    )
    a = desk.assessor.assess([opened])
    broken = [f for f in a.findings if f.level in ("violation", "danger")]
    others = [f for f in a.findings if f not in broken]
    if words.json:
        put_json(
            {
                "format": 1,
                "site": site.name,
                "violations": [finding(f) for f in broken],
                "notes": [finding(f) for f in others],
            }
        )
        return 1 if broken else 0
    width = width_of(sys.stdout)
    lines = wrap("title", one_line(site.name), width)
    for f in (*broken, *others):
        word = "Breaks" if f in broken else "Note"
        lines += [
            BLANK,
            *wrap("warn" if f in broken else "text", f"{word}: {one_line(f.says)}", width, "", "  "),
        ]
        lines += wrap("dim", f"rule: {f.rule}", width, "  ", "    ")
        titles = [desk.knowledge.sources[s].title if s in desk.knowledge.sources else s for s in f.sources]
        lines += wrap("dim", f"source: {'; '.join(titles)}", width, "  ", "    ")
    count = (
        f"{len(broken)} rule{'s' if len(broken) != 1 else ''} broken."
        if broken
        else "No rule is broken, as far as the record says."
    )
    put([*lines, BLANK, *wrap("danger" if broken else "good", count, width)], words.no_color)
    return 1 if broken else 0
