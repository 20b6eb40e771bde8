"""Commands that look: at the step, the suspects, the findings, the log, and at what an answer would change."""

from __future__ import annotations

from diagnose.casework.events import JSON
from diagnose.casework.view import StepView
from diagnose.report import text as t
from diagnose.report.events import log_lines
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell import taking
from diagnose.shell.answers import Taken, at_text, understand, where
from diagnose.shell.asking import ask_places
from diagnose.shell.completing import check_and_answer
from diagnose.shell.dialog import Talk, pick
from diagnose.shell.lookup import split_read
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import NAMES, command
from diagnose.shell.screens import chain_lines, more_lines, moved_lines
from diagnose.site.places import Place, describe
from diagnose.source.problems import shown


@command("why", "[N]", "what speaks for suspect N, and by which rules")
def why(s: OpenCase, rest: str) -> list[Line]:
    a, state = s.seen, taking.the_state(s)
    assert a is not None
    if not a.told_suspects:
        return wrap("text", "No suspects yet, so there is nothing to explain.", s.width)
    number = rest or "1"
    if not number.isdecimal() or len(number) > 3 or not 1 <= int(number) <= len(a.told_suspects):
        raise Refusal(
            f"there is no suspect {shown(rest)}; type why with a number from 1 to {len(a.told_suspects)}"
        )
    suspect = a.told_suspects[int(number) - 1]
    tell = {r.event: s.desk.assessor.tell(r) for r in state.readings}
    lines = t.evidence_lines(a, suspect, tell, s.width)
    lines += [BLANK, *chain_lines(s.desk.knowledge, suspect, s.width, s.role)]
    about = [f for f in a.findings if not f.places or any(p in f.places for p, _ in suspect.places)]
    if about:
        lines += [BLANK, *wrap("title", "What rules found there:", s.width)]
        for finding in about[:4]:
            lines += t.finding_lines([finding], s.width, s.role)
            lines += t.because_lines(finding, s.width)
    return lines


@command("suspects", "", "what may be wrong, where, how likely", alone=True)
def suspects(s: OpenCase, rest: str) -> list[Line]:
    assert s.seen is not None
    return [
        *t.suspect_lines(s.seen, s.width),
        *wrap("dim", "why 1 tells what speaks for the first.", s.width),
    ]


@command("findings", "", "what the rules have found", alone=True)
def findings(s: OpenCase, rest: str) -> list[Line]:
    assert s.seen is not None
    lines = [*t.finding_lines(s.seen.findings, s.width, s.role), *t.contradiction_lines(s.seen, s.width)]
    return lines or wrap("text", "No findings.", s.width)


@command("log", "", "everything recorded so far", alone=True)
def log(s: OpenCase, rest: str) -> list[Line]:
    assert s.book is not None
    return log_lines(s.desk.knowledge, s.book.events, s.width)


@command("other", "", "choose another step (also: steps, skip)", also=("steps", "skip"), alone=True)
def steps(s: OpenCase, rest: str) -> list[Line]:
    """The steps there are, to choose from."""
    assert s.seen is not None
    if not s.seen.steps:
        return s.here()
    if len(s.seen.steps) == 1:
        words = "There is no other step that tells more. Type check with a word of its name, or close."
        return wrap("text", words, s.width)
    return s.talk(lambda: _talk_steps(s))


def _talk_steps(s: OpenCase) -> Talk:
    assert s.seen is not None
    listed = s.seen.steps
    options = [
        (
            str(n),
            f"{_repair(x)}{x.title}, {describe(x.places)} ({t.minutes(x.minutes)})",
        )
        for n, x in enumerate(listed)
    ]
    chosen = yield from pick("Steps that fit now:", options, s.width, "number (Enter: stay)> ", "")
    if chosen:
        s.chosen = listed[int(chosen)]
    return s.here()


def _repair(step: StepView) -> str:
    return "repair: " if step.kind == "remedy" else ""


@command("?", "", "more about this step", alone=True)
def more(s: OpenCase, rest: str) -> list[Line]:
    step = s.step
    if step is None:
        return NAMES["help"].do(s, "")
    return more_lines(s.desk.knowledge, step, s.width, s.role)


@command(
    "what-if", "CHECK [at PLACE] = ANSWER", "how an answer would move the suspects; records nothing", words=check_and_answer,
)
def what_if(s: OpenCase, rest: str) -> list[Line]:
    words, place, answer = split_read(rest)
    if not words or not answer:
        raise Refusal(
            "write what-if CHECK at PLACE = ANSWER, for instance: what-if unit answers at 5 = silent"
        )
    return s.talk(lambda: _talk_what_if(s, words, place, answer))


def _talk_what_if(s: OpenCase, words: str, place: str, answer: str) -> Talk:
    assert s.book is not None
    assert s.seen is not None
    check = yield from taking.choose_check(s, words)
    if check is None:
        return s.here()
    site = taking.the_state(s).site
    places: tuple[Place, ...] = (
        where(site, check.at, place) if place else (yield from ask_places(s, site, check.at, check.title))
    )
    taken = understand(s.desk.knowledge, site, check, places, answer)
    if not isinstance(taken, Taken):
        raise Refusal(f"{taken.question} Write it as {' or '.join(taken.readings)}")
    last = s.book.events[-1]
    data: dict[str, JSON] = {"check": check.id, "at": at_text(places), "answer": taken.text}
    event = last._replace(id="what-if", seq=last.seq + 1, kind="reading", data=data)
    after = s.desk.assessor.assess([*s.book.events, event])
    where_text = f" at {describe(places)}" if places else ""
    lines = wrap(
        "title",
        f"If {check.title}{where_text} read {taken.text.replace('-', ' ')} (nothing is recorded):",
        s.width,
    )
    if after.stop_use and not s.seen.stop_use:
        lines += wrap("danger", "Use would be stopped.", s.width)
    return [*lines, *moved_lines(s.seen, after, s.width)]
