"""The words that are typed inside the shell, and what is done with everything else."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from diagnose.casework.answers import UNKNOWN, UNREACHED, plain
from diagnose.casework.gate import barred, may_take
from diagnose.casework.state import AnswerError
from diagnose.knowledge import model as m
from diagnose.report import text as t
from diagnose.report.events import log_lines
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell import alarm, ending, facts, safety, taking
from diagnose.shell.answers import per_place, understand
from diagnose.shell.desk import DANGER
from diagnose.shell.dialog import Ask, Talk, pick
from diagnose.shell.refusal import Refusal
from diagnose.shell.screens import chain_lines, more_lines, moved_lines
from diagnose.site.places import Place, describe
from diagnose.source.problems import nearest, one_line, shown

if TYPE_CHECKING:
    from diagnose.casework.events import JSON
    from diagnose.casework.view import StepView
    from diagnose.shell.session import Session
    from diagnose.site.model import Site

Do = Callable[["Session", str], list[Line]]


class Command(NamedTuple):
    """A word of the shell."""

    name: str
    takes: str
    says: str
    do: Do


def act(s: Session, typed: str) -> list[Line]:
    """One line, when no question is open."""
    if not typed:
        return s.here()
    word, _, rest = typed.partition(" ")
    word, rest = word.lower(), rest.strip()
    step = s.step
    check = s.desk.knowledge.checks.get(step.id) if step and step.kind == "check" else None
    if check is not None and step is not None and typed.lower().replace(" ", "-") in check.outcome_ids:
        return _answer(s, step, check, typed)
    word, rest = joined(word, rest)
    command = NAMES.get(word)
    if command is not None and not (rest and word in ALONE):
        return command.do(s, rest)
    if check is not None and step is not None:
        return _answer(s, step, check, typed)
    if step is not None and word in ("y", "yes"):
        return done(s, "")
    problem = f"{shown(typed, 40)} is no command here; type help"
    close = nearest(word, NAMES)
    if step is None and ((s.seen is not None and s.seen.stop_use) or plain(typed) in (*UNKNOWN, *UNREACHED)):
        slip = not rest and plain(typed) not in (*UNKNOWN, *UNREACHED) and close.startswith("did")
        return safety.nothing_asked(s, close if slip else "")
    return s.talk(
        lambda: taking.talk_free(s, typed, f"{problem}; {close}" if close.startswith("did") else problem)
    )


def joined(word: str, rest: str) -> tuple[str, str]:
    """`made safe` and `what if` are one word each."""
    first = rest.split(" ", 1)[0].lower()
    if (word, first) in (("made", "safe"), ("what", "if"), ("on", "site"), ("reported", "safe")):
        return f"{word}-{first}", rest[len(first) :].strip()
    return word, rest


def _answer(s: Session, step: StepView, check: m.Check, typed: str) -> list[Line]:
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


# ---- looking


def why(s: Session, rest: str) -> list[Line]:
    a, state = s.seen, taking.the_state(s)
    assert a is not None
    if not a.suspects:
        return wrap("text", "No suspects yet, so there is nothing to explain.", s.width)
    number = rest or "1"
    if not number.isdecimal() or len(number) > 3 or not 1 <= int(number) <= len(a.suspects):
        raise Refusal(
            f"there is no suspect {shown(rest)}; type why with a number from 1 to {len(a.suspects)}"
        )
    suspect = a.suspects[int(number) - 1]
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


def suspects(s: Session, rest: str) -> list[Line]:
    assert s.seen is not None
    return [
        *t.suspect_lines(s.seen, s.width),
        *wrap("dim", "why 1 tells what speaks for the first.", s.width),
    ]


def findings(s: Session, rest: str) -> list[Line]:
    assert s.seen is not None
    lines = [*t.finding_lines(s.seen.findings, s.width, s.role), *t.contradiction_lines(s.seen, s.width)]
    return lines or wrap("text", "No findings.", s.width)


def log(s: Session, rest: str) -> list[Line]:
    assert s.book is not None
    return log_lines(s.desk.knowledge, s.book.events, s.width)


def steps(s: Session, rest: str) -> list[Line]:
    """The steps there are, to choose from."""
    assert s.seen is not None
    if not s.seen.steps:
        return s.here()
    if len(s.seen.steps) == 1:
        words = "There is no other step that tells more. Type check with a word of its name, or close."
        return wrap("text", words, s.width)
    return s.talk(lambda: _talk_steps(s))


def _talk_steps(s: Session) -> Talk:
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


def more(s: Session, rest: str) -> list[Line]:
    step = s.step
    if step is None:
        return help_(s, "")
    return more_lines(s.desk.knowledge, step, s.width, s.role)


def what_if(s: Session, rest: str) -> list[Line]:
    words, place, answer = taking.split_read(rest)
    if not words or not answer:
        raise Refusal(
            "write what-if CHECK at PLACE = ANSWER, for instance: what-if unit answers at 5 = silent"
        )
    return s.talk(lambda: _talk_what_if(s, words, place, answer))


def _talk_what_if(s: Session, words: str, place: str, answer: str) -> Talk:
    from diagnose.shell.answers import Taken, at_text, where
    from diagnose.shell.opening import ask_places

    assert s.book is not None
    assert s.seen is not None
    check = yield from taking.choose_check(s, words)
    if check is None:
        return s.here()
    site = taking.the_state(s).site
    places: tuple[Place, ...] = (
        where(site, check.at, place) if place else (yield from ask_places(s, site, check))
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


# ---- recording


def read(s: Session, rest: str) -> list[Line]:
    return s.talk(lambda: taking.talk_read(s, rest))


def evidence(s: Session, rest: str) -> list[Line]:
    from diagnose.shell.evidence import take  # not before it is wanted: the first prompt does not wait for it

    return take(s, rest)


def probe(s: Session, rest: str) -> list[Line]:
    from diagnose.shell.probing import take

    return take(s, rest)


def danger(s: Session, rest: str) -> list[Line]:
    return alarm.danger(s, rest)


def complaint(s: Session, rest: str) -> list[Line]:
    if not rest:
        raise Refusal("say what is wrong, for instance: complaint units 6-12 are silent")
    return s.talk(lambda: taking.talk_complaint(s, rest))


def note(s: Session, rest: str) -> list[Line]:
    if not rest:
        raise Refusal("write the note on the same line, for instance: note the gland at unit 5 was loose")
    return s.save([("note", {"text": one_line(rest, 2000)})])


def done(s: Session, rest: str) -> list[Line]:
    step = s.step
    if step is None or step.kind != "remedy":
        raise Refusal("there is no repair on the screen; write repaired with its name, or type steps")
    rows = [("remedy", {"remedy": step.id, "at": str(place)}) for place in step.places[:1]]
    return s.save(rows)


def repaired(s: Session, rest: str) -> list[Line]:
    if not rest:
        return done(s, "")
    return s.talk(lambda: _talk_repaired(s, rest))


def _talk_repaired(s: Session, rest: str) -> Talk:
    """A repair that was done without being suggested."""
    from diagnose.shell.opening import ask_places
    from diagnose.words.finder import Finder

    k, state = s.desk.knowledge, taking.the_state(s)
    words, place, _ = taking.split_read(rest)
    name = "-".join(words.lower().split())
    if name in k.remedies:
        remedy = k.remedies[name]
    else:
        finder: Finder[str] = Finder(
            (r.id, x) for r in k.remedies.values() for x in (r.title, r.id.replace("-", " "))
        )
        found = [key for key, _ in finder.search(words, 6)]
        if not found:
            raise Refusal(
                f"no repair is called {shown(words)}; try another word of its name, or write a note"
            )
        named = [(i, k.remedies[i].title) for i in found]
        chosen = yield from pick("Which repair?", named, s.width, "number (Enter: none)> ", "")
        if not chosen:
            return s.here()
        remedy = k.remedies[chosen]
    kinds = list(dict.fromkeys(f.at for f in k.faults.values() if f.remedy == remedy.id))
    kinds = [kind for kind in kinds if state.site.places(kind)]
    if not kinds:
        raise Refusal(f"this site's record has no place for {shown(remedy.title)}; write a note instead")
    if place:
        kinds = [kind for kind in kinds if _fits(state.site, kind, place)] or kinds[:1]
    kind = (
        kinds[0]
        if len(kinds) == 1
        else (
            yield from pick("It was done at:", [(x, x.replace("-", " ")) for x in kinds], s.width, "number> ")
        )
    )
    if place:
        places = state.site.find(place, kind)
    else:
        at = k.checks[DANGER]._replace(at=kind, title=remedy.title)
        places = yield from ask_places(s, state.site, at, known=True)
    if len(places) != 1:
        raise Refusal(
            "a repair is recorded at one place; write for instance: repaired " + f"{remedy.id} at {places[0]}"
        )
    data: dict[str, object] = {"remedy": remedy.id, "at": str(places[0])}
    by = ""
    if not may_take(remedy, s.role, s.bars):
        lines = wrap("warn", f"{remedy.title} needs {taking.needs(s, remedy)}.", s.width)
        lines += wrap(
            "title", "Type who did it and reports it (name or trade), or press Enter to leave it.", s.width
        )
        typed = one_line((yield Ask(tuple(lines), "reported by> ")).strip(), 80)
        if not typed:
            return s.here()
        data["reported-by"] = typed
        by = f"{s.role}, reported by {typed}"
    if not by and barred(remedy, places[0], s.role, s.bars, state.site):
        raise Refusal(f"{places[0]} is off and locked out, and this repair uses it; first the repair of what is dangerous")
    return s.save([("remedy", data)], by)


def _fits(site: Site, kind: str, place: str) -> bool:
    from diagnose.site.places import PlaceError

    try:
        return bool(site.find(place, kind))
    except PlaceError:
        return False


def undo(s: Session, rest: str) -> list[Line]:
    """Take the last answer back; what told of a danger only by a technician or above, with a reason."""
    assert s.book is not None
    refusals = [why for e in s.book.last() if (why := taking.may_take_back(s, e.id, rest))]
    if not refusals:
        return _turn(s, "Taken back", rest)
    if all("say in a few words" in why for why in refusals):
        return s.talk(lambda: _talk_undo_danger(s))
    raise Refusal(f"that is not taken back: {next(w for w in refusals if 'few words' not in w)}")


def _talk_undo_danger(s: Session) -> Talk:
    """A danger is not taken back by a slip of the finger: the reason stands in the log."""
    lines = wrap("title", "That told of a danger. Why is it taken back? The reason stays in the log. Enter: it stands.", s.width)
    reason = one_line((yield Ask(tuple(lines), "reason> ")).strip(), 500)
    if len(reason.split()) < 2:
        return [*wrap("text", "It stands.", s.width), *s.here()]
    return _turn(s, "Taken back", reason)


def redo(s: Session, rest: str) -> list[Line]:
    return _turn(s, "Restored")


def _turn(s: Session, word: str, reason: str = "") -> list[Line]:
    from diagnose.report.events import event_text

    assert s.book is not None
    if word == "Restored" and (why := next((w for n in s.book.last_undone() if (w := taking.may_take_back(s, n))), "")):
        raise Refusal(f"that is not restored: {why}")
    events = s.book.undo(s.role, reason) if word == "Taken back" else s.book.redo(s.role)
    if not events:
        what = "nothing has been answered yet" if word == "Taken back" else "nothing has been taken back"
        raise Refusal(f"there is nothing to {'undo' if word == 'Taken back' else 'redo'}: {what}")
    lines: list[Line] = []
    for event in events:
        if event.kind != "withdrawn":
            lines += wrap(
                "good", f"{word}: {one_line(event_text(s.desk.knowledge, event))}.", s.width, "", "  "
            )
    s.tell_now(lines)
    shown = s.after()
    return alarm.question_lines(s) if alarm.current(s) is not None else shown


def help_(s: Session, rest: str) -> list[Line]:
    """What can be typed."""
    if rest:
        command = NAMES.get(rest.lower())
        if command is None:
            raise Refusal(f"there is no command {shown(rest)}; {nearest(rest, NAMES) or 'type help'}")
        return wrap(
            "text", f"{command.name} {command.takes}".rstrip() + f": {command.says}", s.width, "", "  "
        )
    lines = wrap(
        "text",
        "Answer with a number, a word, a value (208.4 V, .3M, OL), y or n; "
        "with 'can't' or 'do not know' as well.",
        s.width,
    )
    lines += wrap(
        "text",
        "Anything you saw may be told at any time, for instance: read unit answers at 5-9 = silent",
        s.width,
        "",
        "  ",
    )
    lines.append(BLANK)
    for c in COMMANDS:
        lines += wrap("text", f"{c.name} {c.takes}".rstrip() + f": {c.says}", s.width, "", "    ")
    return lines


def quit_(s: Session, rest: str) -> list[Line]:
    return s.leave()


def new(s: Session, rest: str) -> list[Line]:
    s.options = s.options._replace(case="")
    return s.begin()


COMMANDS = (
    Command("?", "", "more about this step", more),
    Command("other", "", "choose another step (also: steps, skip)", steps),
    Command("done", "", "the repair on the screen is done", done),
    Command("why", "[N]", "what speaks for suspect N, and by which rules", why),
    Command("suspects", "", "what may be wrong, where, how likely", suspects),
    Command("findings", "", "what the rules have found", findings),
    Command("check", "WORDS", "show a check and take its answer", read),
    Command("read", "CHECK [at PLACE] = ANSWER", "record any answer", read),
    Command("repaired", "WORDS [at PLACE]", "record a repair that was done", repaired),
    Command("danger", "[WORDS]", "report a danger sign", danger),
    Command("complaint", "WORDS", "something else that is wrong", complaint),
    Command("note", "WORDS", "write a note into the case", note),
    Command("evidence", "[FILE [at PLACE]]", "read a capture, log, waveform or transcript; alone: lines pasted after it", evidence),
    Command("probe", "trunk|network OPTIONS", "ask a live trunk or network, only reading", probe),
    Command("facts", "[WORDS]", "what the install record says", facts.facts),
    Command("fact", "NAME [PLACE] VALUE", "set an install fact, e.g. fact unit.setting 7 48 A", facts.fact),
    Command(
        "what-if",
        "CHECK [at PLACE] = ANSWER",
        "how an answer would move the suspects; records nothing",
        what_if,
    ),
    Command("undo", "", "take the last answer back", undo),
    Command("redo", "", "restore what was taken back", redo),
    Command("log", "", "everything recorded so far", log),
    Command("handover", "", "what to pass on, and whom to send", ending.handover),
    Command("role", "ROLE", "contact, agent, technician or electrician", facts.role),
    Command("on-site", "yes or no", "whether you are at the site", facts.on_site),
    Command("instruments", "NAMES", "what you have with you", facts.instruments),
    Command("made-safe", "[PLACE]", "a qualified person reports a place as isolated, locked out and proved dead", safety.made_safe),
    Command("energized", "[PLACE]", "a repaired place has power again, for its proof readings only", safety.energized),
    Command("reported-safe", "[PLACE]", "the desk writes down what a qualified person reports by phone", safety.reported_safe),
    Command("vouch", "", "a qualified person confirms what was passed on for them", safety.vouch),
    Command("close", "", "close the case", ending.close),
    Command("report", "[FILE]", "write the case as a page (HTML)", ending.report),
    Command("export", "[FILE]", "write the case to a file", ending.export),
    Command("new", "", "begin another case; this one stays saved", new),
    Command("help", "[COMMAND]", "this list", help_),
    Command("quit", "", "leave; the case is saved", quit_),
)
NAMES: dict[str, Command] = {c.name: c for c in COMMANDS}
NAMES |= {
    "steps": NAMES["other"],
    "skip": NAMES["other"],
    "exit": NAMES["quit"],
    "bye": NAMES["quit"],
    "h": NAMES["help"],
    "back": NAMES["undo"],
}
ALONE = (
    "other",
    "steps",
    "skip",
    "done",
    "?",
    "new",
    "undo",
    "redo",
    "back",
    "close",
    "log",
    "suspects",
    "findings",
    "exit",
    "bye",
    "quit",
)
