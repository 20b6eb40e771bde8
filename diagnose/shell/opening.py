"""How a case begins: danger signs first, then what is wrong, where, and who is speaking."""

from __future__ import annotations

from collections.abc import Generator
from functools import partial
from typing import Any

from diagnose.casework.state import AnswerError
from diagnose.knowledge import model as m
from diagnose.report.lines import Line, wrap
from diagnose.shell import alarm
from diagnose.shell.answers import Taken, places_said, understand
from diagnose.shell.asking import ask_where, family_lines, first_up, match_complaint
from diagnose.shell.casebook import Row
from diagnose.shell.dialog import Ask, Effect, Talk, once, pick
from diagnose.shell.first import first_ask
from diagnose.shell.open_case import OpenCase, Opened
from diagnose.shell.records import bare_record, read_record
from diagnose.shell.refusal import Refusal, refused
from diagnose.shell.registry import command
from diagnose.site.model import Site
from diagnose.site.places import describe
from diagnose.source.problems import InputError

ROLE_CHOICES = (
    ("caller", "caller: on the spot, opens and measures nothing"),
    ("help-desk", "help desk: on the phone, with remote access"),
    ("technician", "qualified service technician"),
    ("electrician", "licensed electrician"),
)


@command("new", "", "begin another case; this one stays saved", alone=True)
def new(s: OpenCase, rest: str) -> list[Line]:
    s.options = s.options._replace(case="")
    return begin(s)


def begin(s: OpenCase) -> list[Line]:
    """The opening questions of a new case."""
    s.clear()
    return s.talk(lambda: talk_opening(s))


def talk_opening(s: OpenCase) -> Talk:
    """The opening. Opens the case at its end, or at once when there is a danger sign."""
    k = s.desk.knowledge
    check = k.checks[m.DANGER]
    sign, said = yield from _ask_danger(s, check)
    s.draft.danger = sign
    if sign not in (check.normal, *m.NO_ANSWER):
        outcome = check.outcome(sign)
        s.draft.complaint = said if len(said.split()) > 1 else f"Danger: {outcome.says if outcome else sign}"
        return alarm.stop(s, sign, "", complaint=True)
    complaint, found = yield from _ask_complaint(s, said)
    record, site = yield from _ask_record(s, complaint)
    rows: list[Row] = [("reading", {"check": m.DANGER, "at": _all(site), "answer": sign})]
    if sign == check.normal and m.PANEL_DANGER in k.checks:  # the question named the panel too
        rows.append(("reading", {"check": m.PANEL_DANGER, "at": _all(site, "panel"), "answer": sign}))
    if found[0]:
        rows += yield from ask_where(s, site, k.checks[found[0]], found[1], complaint)
    role = s.options.role or (
        yield from pick("Who are you?", ROLE_CHOICES, s.width, "role (Enter: site contact)> ", "caller")
    )
    return s.open_case(Opened(complaint, complaint, record, role, tuple(rows)))


def _all(site: Site, kind: str = "unit") -> str:
    return describe(site.places(kind))


def _ask_danger(s: OpenCase, check: m.Check) -> Generator[Ask, str, tuple[str, str]]:
    """(outcome, what was said). Words that are no danger sign are kept as the complaint."""
    ask = first_ask(check, s.width)
    said = ""
    while True:
        typed = (yield ask).strip()
        outcome = _danger_said(s, check, typed)
        if outcome:
            return outcome, (typed if outcome not in (check.normal, *m.NO_ANSWER) else said)
        if len(typed.split()) > 1:
            said = typed
            again = "First the danger signs. Type the number of what you see, or n for none. What you said is kept."
            ask = Ask(tuple(wrap("warn", again, s.width)), ask.prompt, ask.words, ask.help)
        else:
            line = f"Which one? Its number, or {len(check.outcomes)} if you cannot tell. n for none."
            ask = Ask(tuple(wrap("warn", line, s.width)), ask.prompt, ask.words, ask.help, True)


def _danger_said(s: OpenCase, check: m.Check, typed: str) -> str:
    try:
        taken = understand(s.desk.knowledge, Site("", (1,)), check, (), typed)
        return taken.text if isinstance(taken, Taken) else ""
    except AnswerError:
        return ""


def _ask_complaint(s: OpenCase, said: str) -> Generator[Ask, str, tuple[str, tuple[str, str]]]:
    """(the complaint in the person's words, (check, outcome)); ("", "") when nothing of the list is meant."""
    complaint = said
    while not complaint:
        lines = wrap(
            "title",
            "What is wrong? Say it in your own words, with the unit numbers if you know them.",
            s.width,
        )
        complaint = (yield Ask(tuple(lines), "what is wrong> ", (), tuple(family_lines(s)))).strip()
    s.draft.complaint = complaint
    return complaint, (yield from match_complaint(s, complaint))


def _ask_record(s: OpenCase, complaint: str) -> Generator[Ask | Effect[Any], str, tuple[str, Site]]:
    """The install record's text and its site; a bare one where there is none."""
    if s.options.record:
        return s.record_given()
    lines = wrap(
        "title", "Install record of the site: type its file name, or press Enter if there is none.", s.width
    )
    ask = Ask(tuple(lines), "record (Enter: none)> ", ("none",))
    while True:
        typed = (yield ask).strip().strip("'\"")
        if not typed or typed.lower() in ("none", "n", "no", "-"):
            break
        try:
            return (yield from once(f"record {typed}", partial(read_record, typed, s.desk.knowledge)))
        except InputError as error:
            text = str(refused(error))
        except Refusal as error:
            text = str(error)
        ask = Ask(tuple(wrap("warn", f"{first_up(text)}.", s.width)), ask.prompt, (), tuple(lines), True)
    return (yield from _ask_bare(s, complaint))


def _ask_bare(s: OpenCase, complaint: str) -> Generator[Ask, str, tuple[str, Site]]:
    lines = wrap("title", "How many units are on the site? Enter if not known.", s.width)
    ask = Ask(tuple(lines), "units> ")
    while True:
        typed = (yield ask).strip().lower()
        if typed in ("", "?", "do not know", "don't know"):
            count = max(_numbers_in(complaint), default=1)
            break
        if typed.isdecimal() and len(typed) < 4 and 1 <= int(typed) <= 247:
            count = int(typed)
            break
        ask = Ask(
            tuple(wrap("warn", "Type a whole number from 1 to 247, or press Enter.", s.width)),
            "units> ",
            (),
            (),
            True,
        )
    on_trunk = False
    if count > 1:
        options = (
            ("trunk", "by a two-wire trunk (RS-485) from unit to unit"),
            ("own", "each by itself"),
            ("unknown", "do not know"),
        )
        on_trunk = (
            yield from pick("How are the units linked to each other?", options, s.width, "number> ")
        ) != "own"
    record = bare_record(count, on_trunk)
    return record, s.read_site(record)


def _numbers_in(text: str) -> list[int]:
    every = Site("", tuple(range(1, 248)))
    said = places_said(every, "unit", text)
    return [p.number for p in said] if len(said) < 247 else []
