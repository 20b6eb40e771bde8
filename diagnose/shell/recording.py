"""Commands that record: complaints, notes, repairs; and taking back and restoring what was recorded."""

from __future__ import annotations

from diagnose.casework.gate import barred, may_take
from diagnose.report.events import event_text
from diagnose.report.lines import Line, wrap
from diagnose.shell import alarm, taking
from diagnose.shell.asking import ask_places
from diagnose.shell.completing import among
from diagnose.shell.dialog import Ask, Talk, pick
from diagnose.shell.lookup import split_read
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import command
from diagnose.site.model import Site
from diagnose.site.places import PlaceError
from diagnose.source.problems import one_line, shown
from diagnose.words.finder import Finder


@command("complaint", "WORDS", "something else that is wrong")
def complaint(s: OpenCase, rest: str) -> list[Line]:
    if not rest:
        raise Refusal("say what is wrong, for instance: complaint units 6-12 are silent")
    return s.talk(lambda: taking.talk_complaint(s, rest))


@command("note", "WORDS", "write a note into the case")
def note(s: OpenCase, rest: str) -> list[Line]:
    if not rest:
        raise Refusal("write the note on the same line, for instance: note the gland at unit 5 was loose")
    return s.save([("note", {"text": one_line(rest, 2000)})])


@command("done", "", "the repair on the screen is done", alone=True)
def done(s: OpenCase, rest: str) -> list[Line]:
    step = s.step
    if step is None or step.kind != "remedy":
        raise Refusal("there is no repair on the screen; write repaired with its name, or type steps")
    rows = [("remedy", {"remedy": step.id, "at": str(place)}) for place in step.places[:1]]
    return s.save(rows)


@command(
    "repaired", "WORDS [at PLACE]", "record a repair that was done", words=among(lambda k: k.remedies),
)
def repaired(s: OpenCase, rest: str) -> list[Line]:
    if not rest:
        return done(s, "")
    return s.talk(lambda: _talk_repaired(s, rest))


def _talk_repaired(s: OpenCase, rest: str) -> Talk:
    """A repair that was done without being suggested."""
    k, state = s.desk.knowledge, taking.the_state(s)
    words, place, _ = split_read(rest)
    name = "-".join(words.lower().split())
    called = [r for r in k.remedies.values() if name in (r.id, "-".join(r.title.lower().split()))]
    if len(called) == 1:
        remedy = called[0]
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
        places = yield from ask_places(s, state.site, kind, remedy.title, known=True)
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
        typed = one_line((yield Ask(tuple(lines), "reported by> ", free=True)).strip(), 80)
        if not typed:
            return s.here()
        data["reported-by"] = typed
        by = f"{s.role}, reported by {typed}"
    if not by and barred(remedy, places[0], s.role, s.bars, state.site):
        raise Refusal(f"{places[0]} is off and locked out, and this repair uses it; first the repair of what is dangerous")
    return s.save([("remedy", data)], by)


def _fits(site: Site, kind: str, place: str) -> bool:
    try:
        return bool(site.find(place, kind))
    except PlaceError:
        return False


@command("undo", "", "take the last answer back", also=("back",), alone=True)
def undo(s: OpenCase, rest: str) -> list[Line]:
    """Take the last answer back; what told of a danger only by a technician or above, with a reason."""
    assert s.book is not None
    refusals = [why for e in s.book.last() if (why := taking.may_take_back(s, e.id, rest))]
    if not refusals:
        return _turn(s, "Taken back", rest)
    if all("say in a few words" in why for why in refusals):
        return s.talk(lambda: _talk_undo_danger(s))
    raise Refusal(f"that is not taken back: {next(w for w in refusals if 'few words' not in w)}")


def _talk_undo_danger(s: OpenCase) -> Talk:
    """A danger is not taken back by a slip of the finger: the reason stands in the log."""
    lines = wrap("title", "That told of a danger. Why is it taken back? The reason stays in the log. Enter: it stands.", s.width)
    reason = one_line((yield Ask(tuple(lines), "reason> ", free=True)).strip(), 500)
    if len(reason.split()) < 2:
        return [*wrap("text", "It stands.", s.width), *s.here()]
    return _turn(s, "Taken back", reason)


@command("redo", "", "restore what was taken back", alone=True)
def redo(s: OpenCase, rest: str) -> list[Line]:
    return _turn(s, "Restored")


def _turn(s: OpenCase, word: str, reason: str = "") -> list[Line]:
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
