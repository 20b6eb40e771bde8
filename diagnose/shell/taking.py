"""Taking an answer: to the step on the screen, to a check somebody names, or reported by somebody else."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import TYPE_CHECKING

from diagnose.casework.gate import barred, has_instrument, may_take, touches
from diagnose.casework.state import AnswerError, State, read_entries
from diagnose.knowledge import model as m
from diagnose.report import text as t
from diagnose.report.lines import Line, wrap
from diagnose.shell.answers import Taken, TwoWays, at_text, understand, unit_of, wanted, where
from diagnose.shell.asking import NONE, ask_places, ask_where, match_complaint
from diagnose.shell.completing import check_and_answer
from diagnose.shell.dialog import Ask, Talk, pick, prompt_of
from diagnose.shell.lookup import find_checks, split_read
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import NAMES, command
from diagnose.shell.screens import barred_lines, check_view
from diagnose.site.places import Place, describe
from diagnose.source.problems import one_line, shown

if TYPE_CHECKING:
    from diagnose.casework.state import State
    from diagnose.shell.casebook import Row

Given = Sequence[tuple[tuple[Place, ...], str]]


def the_state(s: OpenCase) -> State:
    """The state of the open case."""
    assert s.state_now is not None
    return s.state_now


def allowed(s: OpenCase, check: m.Check) -> bool:
    """Whether this role may see and do a check now."""
    return may_take(check, s.role, s.bars)


def refuse_barred(s: OpenCase, check: m.Check, places: Sequence[Place]) -> None:
    """Refusal where a danger bars a check at a place: what it would read there is our own doing, or asks for use."""
    if s.danger == "standing":
        return
    bars, site = s.bars, the_state(s).site
    off = [p for p in places or site.places(check.at) if barred(check, p, s.role, bars, site)]
    if off:
        where = describe(off)
        if touches(site, off[0], bars.stopped):
            raise Refusal(f"{where} is off and locked out, so '{check.title}' would tell of that; write what was seen before as a note")
        raise Refusal(f"{where} stays out of use for now, and '{check.title}' uses it; first what is to be measured there")


def may_take_back(s: OpenCase, event: str, reason: str = "") -> str:
    """Why this role may not take an entry back; empty when it may."""
    assert s.book is not None
    return read_entries(s.book.events, s.desk.knowledge).refusal(event, s.role, reason)


def talk_answers(s: OpenCase, check: m.Check, given: Given, reported: str = "") -> Talk:
    """Record answers at places: asks which way a value is meant, and whether it replaces an earlier one."""
    state = the_state(s)
    for places, _ in given:
        refuse_barred(s, check, places)
    rows: list[Row] = []
    replaced: list[Row] = []
    for places, typed in given:
        taken = understand(s.desk.knowledge, state.site, check, places, typed)
        if isinstance(taken, TwoWays):
            options = [(r, r) for r in taken.readings]
            text = yield from pick(f"{one_line(taken.question)}", options, s.width, "number> ")
            again = understand(s.desk.knowledge, state.site, check, places, text)
            taken = again if isinstance(again, Taken) else Taken(text, typed)
        data: dict[str, object] = {"check": check.id, "at": at_text(places), "answer": taken.text}
        if reported:
            data["reported-by"] = reported
        rows.append(("reading", data))
        earlier = [
            r
            for r in state.readings
            if r.check == check.id
            and set(r.places) == set(places)
            and r.after == len(state.mended)
            and r.outcome
            and not may_take_back(s, r.event)  # a danger is made safe, not answered away
        ]
        replaced += [("withdrawn", {"event": r.event}) for r in earlier]
    if replaced:
        told = "; ".join(
            s.desk.assessor.tell(r) for r in state.readings if any(r.event == x[1]["event"] for x in replaced)
        )
        options = [
            ("replace", "the new answer replaces it"),
            ("both", "both stand, they were two observations"),
        ]
        if (
            yield from pick(f"Answered before: {one_line(told)}.", options, s.width, "number> ")
        ) == "replace":
            rows += replaced
    return s.save(rows, reported and f"{s.role}, reported by {reported}")


def screen(s: OpenCase, check: m.Check, places: tuple[Place, ...]) -> list[Line]:
    """The screen of a check that somebody named; only for roles that may do it."""
    state = the_state(s)
    place = places[0] if places else None
    expected = s.desk.assessor.expected(check, state.site, place) if place else ("", ())
    view = check_view(s.desk.knowledge, check, places, expected)
    lines = t.step_lines(view, s.width, s.unit(view), s.role, state.on_site)
    if not has_instrument(check, state.instruments):
        lines += wrap(
            "warn",
            f"Needs: {check.instrument.replace('-', ' ')}, which is not among your instruments.",
            s.width,
        )
    return lines


def talk_check(s: OpenCase, check: m.Check, places: tuple[Place, ...] = ()) -> Talk:
    """Show a check and take its answer; above the role its title only, and an answer that is reported."""
    site = the_state(s).site
    open_to_role = allowed(s, check)
    if not open_to_role:
        reported = yield from _who(s, check)
        if not reported:
            return s.here()
    else:
        reported = ""
    if not places:
        places = yield from ask_places(s, site, check.at, check.title)
    refuse_barred(s, check, places)
    lines = screen(s, check, places) if open_to_role else _reported_lines(s, check, places)
    text = f"{check.title}, {describe(places) if places else 'place not known'}"
    prompt = prompt_of(text, s.width)
    ask = Ask(tuple(lines), prompt, (*check.outcome_ids, "do not know", "can't"))
    while True:
        typed = yield ask
        try:
            understand(s.desk.knowledge, site, check, places, typed)
        except AnswerError as error:
            ask = Ask(
                tuple(wrap("warn", _sentence(str(error)), s.width, "", "  ")),
                prompt,
                ask.words,
                tuple(lines),
                True,
            )
            continue
        return (yield from talk_answers(s, check, [(places, typed)], reported))


def _who(s: OpenCase, check: m.Check) -> Generator[Ask, str, str]:
    """Who reports the answer to a check that this role may not do."""
    lines = barred_lines(check, needs(s, check), s.danger == "standing", s.width)
    lines += wrap(
        "title",
        "Did somebody qualified do it and report the answer? Type who (name or trade), or Enter to leave it.",
        s.width,
    )
    typed = yield Ask(tuple(lines), "reported by> ", free=True)
    word = one_line(typed.strip(), 80)
    if word.lower().split(" ")[0] in NAMES:
        raise Refusal(f"{shown(word)} begins like a command; type who reports it, or Enter to leave it")
    return "" if word.lower() in ("", "n", "no", "nobody", "none") else word


def _reported_lines(s: OpenCase, check: m.Check, places: tuple[Place, ...]) -> list[Line]:
    lines = wrap(
        "title",
        f"{check.title}, {describe(places) if places else 'place not known'}: what was reported?",
        s.width,
    )
    if check.gauge:
        return [*lines, *wrap("text", f"The value with its unit ({unit_of(check)}).", s.width)]
    outcomes = tuple(check_view(s.desk.knowledge, check, places, ("", ())).outcomes)
    return [*lines, *t.outcome_lines(outcomes, s.width)]


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?')) else '.'}"


def choose_check(s: OpenCase, words: str) -> Generator[Ask, str, m.Check | None]:
    """One check by words, asked back when several fit; None when none is meant, Refusal when none fits."""
    found = find_checks(s, words)
    if not found:
        raise Refusal(
            f"no check is called {shown(words)}; try another word of its name, for instance check terminator"
        )
    if len(found) == 1:
        return found[0]
    options = [(c.id, c.title if allowed(s, c) else f"{c.title} (needs: {needs(s, c)})") for c in found]
    chosen = yield from pick("Which check?", options, s.width, "number (Enter: none)> ", NONE)
    return s.desk.knowledge.checks.get(chosen)


def needs(s: OpenCase, step: m.Check | m.Remedy) -> str:
    """What a step waits for that this role may not take now: somebody else, or something that comes first."""
    if not m.may(s.role, step.role):
        return f"a {t.ROLE_WORDS[step.role]}"
    if step.reach == "on-site" and not m.may(s.role, "technician"):
        return f"a {t.ROLE_WORDS['technician']}"
    if s.danger == "standing":
        return "the place made safe first"
    if s.bars.unseen:
        return "an answer to the danger question first (check danger signs)"
    return "the danger repaired and proved first"


def talk_read(s: OpenCase, text: str) -> Talk:
    """`read WORDS [at PLACE] [= ANSWER]`."""
    words, place, answer = split_read(text)
    if not words:
        raise Refusal("name a check, for instance: read unit answers at 5-9 = silent")
    check = yield from choose_check(s, words)
    if check is None:
        return s.here()
    site = the_state(s).site
    places = where(site, check.at, place) if place else ()
    if not answer or not allowed(s, check):
        return (yield from talk_check(s, check, places))
    if not places:
        places = yield from ask_places(s, site, check.at, check.title)
    return (yield from talk_answers(s, check, [(places, answer)]))


@command("read", "CHECK [at PLACE] = ANSWER", "record any answer", words=check_and_answer)
@command("check", "WORDS", "show a check and take its answer", words=check_and_answer)
def read(s: OpenCase, rest: str) -> list[Line]:
    return s.talk(lambda: talk_read(s, rest))


# ---- free words


def talk_complaint(s: OpenCase, said: str) -> Talk:
    """A complaint that comes when the case is open already."""
    check, outcome = yield from match_complaint(s, said)
    if not check:
        return s.save([("note", {"text": one_line(f"complaint: {said}")})])
    rows = yield from ask_where(s, the_state(s).site, s.desk.knowledge.checks[check], outcome, said)
    return s.save(rows)


def talk_free(s: OpenCase, said: str, problem: str) -> Talk:
    """Words that are neither command nor answer: what they may mean, to choose from."""
    k = s.desk.knowledge
    found = [key for key, _ in s.desk.outcomes().search(said, 4, 0.5)]
    if not found:
        raise Refusal(problem)
    options = []
    for check_id, outcome_id in found:
        check = k.checks[check_id]
        outcome = check.outcome(outcome_id)
        who = "" if allowed(s, check) else f" (needs: {needs(s, check)})"
        options.append(
            (f"{check_id}:{outcome_id}", f"{check.title}: {outcome.says if outcome else outcome_id}{who}")
        )
    title = f"{_sentence(problem)} Or did you see one of these?"
    chosen = yield from pick(title, [*options, (NONE, "none of these")], s.width, "number> ", NONE)
    if chosen == NONE:
        return s.here()
    check_id, _, answer = chosen.partition(":")
    check = k.checks[check_id]
    reported = ""
    if not allowed(s, check):
        reported = yield from _who(s, check)
        if not reported:
            return s.here()
    places = yield from ask_places(s, the_state(s).site, check.at, check.title, said)
    return (yield from talk_answers(s, check, [(places, answer)], reported))


def wanted_here(check: m.Check) -> str:
    """What a step wants, as a sentence."""
    return _sentence(wanted(check))
