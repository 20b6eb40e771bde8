"""All commands together: the help, and what is done with a line that is no answer to an open question."""

from __future__ import annotations

from diagnose.casework.answers import UNKNOWN, UNREACHED, plain
from diagnose.casework.state import AnswerError
from diagnose.casework.view import StepView
from diagnose.knowledge import model as m
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell import (
    alarm,
    ending,
    evidence,
    facts,
    looking,
    opening,
    probing,
    recording,
    safety,
    taking,
)
from diagnose.shell.answers import per_place, understand
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import NAMES, Command, command, split
from diagnose.source.problems import nearest, shown

MODULES = (looking, taking, recording, evidence, probing, alarm, safety, facts, ending, opening)
"""Modules with commands, in the order of the help."""


def act(s: OpenCase, typed: str) -> list[Line]:
    """One line, when no question is open."""
    if not typed:
        return s.here()
    step = s.step
    check = s.desk.knowledge.checks.get(step.id) if step and step.kind == "check" else None
    if check is not None and step is not None and typed.lower().replace(" ", "-") in check.outcome_ids:
        return _answer(s, step, check, typed)
    word, rest = split(typed)
    found = NAMES.get(word)
    if found is not None and not (rest and found.alone):
        return found.do(s, rest)
    if check is not None and step is not None:
        return _answer(s, step, check, typed)
    if step is not None and word in ("y", "yes"):
        return recording.done(s, "")
    return _no_command(s, typed, word, rest)


def _answer(s: OpenCase, step: StepView, check: m.Check, typed: str) -> list[Line]:
    site = taking.the_state(s).site
    given = per_place(site, check, step.places, typed)
    try:
        if not given:
            understand(s.desk.knowledge, site, check, step.places, typed)
            given = [(step.places, typed)]
    except AnswerError as error:
        problem = str(error)
        if len([w for w in typed.split() if w[:1].isalpha()]) >= 2:
            return s.talk(lambda: taking.talk_free(s, typed, problem))
        raise
    chosen = given
    return s.talk(lambda: taking.talk_answers(s, check, chosen))


def _no_command(s: OpenCase, typed: str, word: str, rest: str) -> list[Line]:
    problem = f"{shown(typed, 40)} is no command here; type help"
    close = nearest(word, NAMES)
    if s.step is None and ((s.seen is not None and s.seen.stop_use) or plain(typed) in (*UNKNOWN, *UNREACHED)):
        slip = not rest and plain(typed) not in (*UNKNOWN, *UNREACHED) and close.startswith("did")
        return safety.nothing_asked(s, close if slip else "")
    return s.talk(lambda: taking.talk_free(s, typed, f"{problem}; {close}" if close.startswith("did") else problem))


@command("help", "[COMMAND]", "this list", also=("h",))
def help_(s: OpenCase, rest: str) -> list[Line]:
    """What can be typed."""
    if rest:
        found = NAMES.get(rest.lower())
        if found is None:
            raise Refusal(f"there is no command {shown(rest)}; {nearest(rest, NAMES) or 'type help'}")
        return wrap("text", _row(found), s.width, "", "  ")
    words = (
        "Answer with a number, a word, a value (208.4 V, .3M, OL), y or n; with 'can't' or 'do not know' as well.",
        "Anything you saw may be told at any time, for instance: read unit answers at 5-9 = silent",
    )
    lines = [*wrap("text", words[0], s.width), *wrap("text", words[1], s.width, "", "  "), BLANK]
    return [*lines, *(line for c in COMMANDS for line in wrap("text", _row(c), s.width, "", "    "))]


def _row(c: Command) -> str:
    return f"{c.name} {c.takes}".rstrip() + f": {c.says}"


_ORDER = [module.__name__ for module in MODULES] + [__name__]
COMMANDS = tuple(sorted(dict.fromkeys(NAMES.values()), key=lambda c: _ORDER.index(c.do.__module__)))
