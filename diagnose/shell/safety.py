"""Commands about a danger that stands: made safe, energized again for its proofs, passed on by phone, vouched for."""

from __future__ import annotations

import re
from collections.abc import Generator
from functools import partial
from typing import TYPE_CHECKING

from diagnose.casework.gate import touches
from diagnose.knowledge import model as m
from diagnose.report import text as t
from diagnose.report.events import event_text
from diagnose.report.lines import Line, wrap
from diagnose.shell.dialog import Ask, Talk, once, pick
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import command
from diagnose.shell.taking import the_state
from diagnose.site.places import KINDS, SITE, Place, PlaceError, describe
from diagnose.source.problems import one_line, shown

if TYPE_CHECKING:
    from diagnose.casework.view import StopUse

SAFE_WORDS = "isolated and proved dead"
POWER_WORDS = "energized for the proofs"
MINE_WORDS = "these are my own"
QUALIFIED = ("technician", "electrician")


def _stops(s: OpenCase) -> tuple[StopUse, ...]:
    assert s.seen is not None
    return s.seen.stop_use


def _places(s: OpenCase, rest: str, statuses: tuple[str, ...], doing: str) -> list[tuple[Place, str]]:
    """The places of dangers in one of `statuses`, or the one that was named, with the role that each wants."""
    wanted: dict[Place, str] = {}
    for stop in _stops(s):
        if stop.status in statuses:
            for place in stop.places:
                old = wanted.get(place, "technician")
                wanted[place] = stop.by if m.may(stop.by, old) else old
    if not wanted:
        raise Refusal(f"nothing is there to be {doing}")
    if not rest:
        return list(wanted.items())
    named = [(p, by) for p, by in wanted.items() if str(p) == _place_said(s, rest)]
    if not named:
        raise Refusal(f"{shown(rest)} is none of them; name one of: {', '.join(map(str, wanted))}")
    return named


def _place_said(s: OpenCase, text: str) -> str:
    site = s.site
    assert site is not None
    text = " ".join(text.lower().split())
    if text in ("site", "all", "whole site"):
        return str(SITE)
    for kind in (*(kind for kind in KINDS if text.startswith(kind)), "unit"):
        try:
            found = site.find(text, kind)
            return str(found[0]) if len(found) == 1 else text
        except PlaceError:
            continue
    return text


NEXT = {
    "made-safe": ("repaired", "repaired"), "repaired": ("switched on for its proofs", "energized"), "proving": ("proved", "handover"),
}  # fmt: skip


def nothing_asked(s: OpenCase, close: str = "") -> list[Line]:
    """What can be done where no question is open: words that answer nothing are not guessed at beside a danger."""
    words = ["Nothing is asked now.", f"{close[:1].upper()}{close[1:]}"] if close else ["Nothing is asked now."]
    waiting = [x for x in _stops(s) if not x.made_safe] or list(_stops(s))
    if waiting:
        x = waiting[0]
        where = t.where(x.places)
        done, command = NEXT.get(x.status, ("made safe", "made-safe"))
        if m.may(s.role, x.by):
            words.append(f"First {where} has to be {done}: type {command}.")
        else:
            words.append(f"A {t.ROLE_WORDS[x.by]} has to come: {where} has to be {done} first. Type handover for whom to send.")
    words.append("What you know goes in with note; help lists what can be typed.")
    urgent = [title_and_call(x.first[0]) for x in waiting if x.emergency and not x.made_safe and x.first]
    lines = [line for text in dict.fromkeys(urgent) for line in wrap("danger", f"! {text}", s.width, "", "  ")]
    return [*lines, *wrap("warn", " ".join(words), s.width, "", "  ")]


def title_and_call(caution: tuple[str, str, str]) -> str:
    """An emergency in two sentences: what it is, and whom to call."""
    _, title, says = caution
    call = next((x for x in re.split(r"(?<=[.!?]) (?=[A-Z])", says) if x.startswith("Call ")), "")
    return f"{title}. {call}".strip()


@command("made-safe", "[PLACE]", "a qualified person reports a place as isolated, locked out and proved dead")
def made_safe(s: OpenCase, rest: str) -> list[Line]:
    """Place by place, by a role that may, and in so many words."""
    if not _stops(s):
        raise Refusal("no danger has been reported, so there is nothing to make safe")
    if not m.may(s.role, "technician"):
        words = "the desk writes it down with: reported-safe" if s.role == "help-desk" else "type handover for whom to send"
        raise Refusal(f"only a {t.ROLE_WORDS['technician']} or above can report that; {words}")
    if all(x.made_safe for x in _stops(s)):
        return wrap("text", "It has been reported as made safe already.", s.width)
    places = _places(s, rest, ("standing",), "made safe now")
    mine = [(p, by) for p, by in places if m.may(s.role, by)]
    if not mine:
        raise Refusal(f"that takes a {t.ROLE_WORDS[places[0][1]]}: {', '.join(t.where((p,)) for p, _ in places)}; type handover")
    return s.talk(lambda: _talk_safe(s, [p for p, _ in mine]))


def _talk_safe(s: OpenCase, places: list[Place]) -> Talk:
    rows = []
    for place in places:
        where = "the whole site" if place == SITE else str(place)
        lines = wrap(
            "danger",
            f"{where}: made safe means isolated, locked out and tagged, vehicle unplugged, absence of voltage proved on every "
            "conductor with a tester proved before and after.",
            s.width,
        )
        lines += wrap("title", "Where was it isolated (which breaker or disconnect)? Enter: leave this place out.", s.width)
        isolated = one_line((yield Ask(tuple(lines), "isolated at> ")).strip(), 200)
        if not isolated:
            continue
        lock = yield from _must(s, "Number of the lock, or name on the tag?", "lock> ")
        typed = yield Ask(
            tuple(
                wrap(
                    "title", f"If the tester was proved before and after, and it is dead, type: {SAFE_WORDS}",
                    s.width,
                )
            ),
            "made safe> ", (SAFE_WORDS,),
        )
        if not _says(typed, SAFE_WORDS):
            told = wrap("warn", f"{where}: not recorded, those were not the words. STOP USE stands.", s.width)
            yield from once(f"told of {place}", partial(s.tell_now, told))
            continue
        data = {"what": "made-safe", "at": str(place), "isolated": isolated, "lock": lock, "tester": "proved before and after"}
        if place.kind == "panel" and s.site is not None:
            data["covers"] = describe(tuple(Place("unit", n) for n in s.site.units_of(place)))
        rows.append(("danger", data))
    if not rows:
        return [*wrap("warn", "Nothing was reported as safe. STOP USE stands.", s.width), *s.here()]
    return s.save(rows)


def _says(typed: str, words: str) -> bool:
    return " ".join(typed.lower().split()).rstrip(".!") == words


def _must(s: OpenCase, question: str, prompt: str) -> Generator[Ask, str, str]:
    ask = Ask(tuple(wrap("title", question, s.width)), prompt)
    while True:
        typed = one_line((yield ask).strip(), 200)
        if typed:
            return typed
        ask = Ask(tuple(wrap("warn", f"That is needed. {question}", s.width)), prompt, (), ask.lines, True)


@command("energized", "[PLACE]", "a repaired place has power again, for its proof readings only")
def energized(s: OpenCase, rest: str) -> list[Line]:
    """Power for the proofs, after the repair, with everybody kept off."""
    places = _places(s, rest, ("repaired",), "energized for its proofs now; a repair comes first")
    mine = [p for p, by in places if m.may(s.role, by)]
    if not mine:
        raise Refusal(f"that takes a {t.ROLE_WORDS[places[0][1]]}; type handover")
    for x in _stops(s):
        waits = [p for p in x.places if x.status not in ("repaired", "proving") and touches(the_state(s).site, p, frozenset(mine))]
        if waits:
            raise Refusal(f"{waits[0]} stays off: {x.reason} is not repaired there yet; first that repair, then energized")
    return s.talk(lambda: _talk_energized(s, mine))


def _talk_energized(s: OpenCase, places: list[Place]) -> Talk:
    where = ", ".join("the whole site" if p == SITE else str(p) for p in places)
    lines = wrap(
        "danger",
        (
            f"{where}: closed up, locks off by whoever set them, barred to everybody else. Nobody plugs in "
            "but for a proof that asks for it."
        ),
        s.width,
    )
    lines += wrap("title", f"If that is so, type: {POWER_WORDS}", s.width)
    typed = yield Ask(tuple(lines), "energized> ", (POWER_WORDS,))
    if not _says(typed, POWER_WORDS):
        return [*wrap("warn", "Not recorded: those were not the words. It stays off.", s.width), *s.here()]
    return s.save([("danger", {"what": "energized", "at": str(p)}) for p in places])


@command("reported-safe", "[PLACE]", "the desk writes down what a qualified person reports by phone")
def reported_safe(s: OpenCase, rest: str) -> list[Line]:
    """What a desk hears from a qualified person: kept with role, name and words, and lifting nothing."""
    if not m.may(s.role, "help-desk"):
        raise Refusal("only the help desk or above writes down such a report; type handover for whom to send")
    if m.may(s.role, "technician"):
        raise Refusal("you may report it yourself: type made-safe")
    places = _places(s, rest, ("standing",), "reported as safe now")
    return s.talk(lambda: _talk_reported(s, [p for p, _ in places]))


def _talk_reported(s: OpenCase, places: list[Place]) -> Talk:
    place = places[0]
    if len(places) > 1:
        number = yield from pick("Which place?", [(str(n), str(p)) for n, p in enumerate(places)], s.width, "number> ")
        place = places[int(number)]
    role = yield from pick("Who reports it?", [(r, t.ROLE_WORDS[r]) for r in QUALIFIED], s.width, "number> ")
    name = yield from _must(s, "Name of that person?", "name> ")
    words = yield from _must(s, "What was done, in their own words? Read it back to them.", "words> ")
    lines = s.save([("danger", {"what": "reported-safe", "at": str(place), "role": role, "name": name, "words": words})])
    return [*wrap("warn", f"Reported safe by {name}. Use stays stopped until the {role} enters it: role {role}, then vouch.", s.width), *lines]


@command("vouch", "", "a qualified person confirms what was passed on for them")
def vouch(s: OpenCase, rest: str) -> list[Line]:
    """A qualified person makes their own what was passed on for them."""
    if not m.may(s.role, "technician"):
        raise Refusal("only a technician or an electrician vouches for what was passed on; type role first")
    if not _passed_on(s):
        raise Refusal("nothing was passed on that waits for somebody to vouch for it")
    return s.talk(lambda: _talk_vouch(s))


def _passed_on(s: OpenCase) -> list[str]:
    """Entries that somebody below technician passed on, or that were reported by somebody else, not vouched for yet."""
    state = s.state_now
    assert state is not None
    vouched = {str(n) for x in state.said if x.what == "vouched" for n in x.data.get("events", [])}
    rows = [(x.n, x.event) for x in state.said if x.what == "reported-safe"]
    rows += [(r.n, r.event) for r in state.readings if not r.own]
    rows += [(x.n, x.event) for x in state.mended if not x.own]
    return [event for _, event in sorted(rows) if event not in vouched]


def _talk_vouch(s: OpenCase) -> Talk:
    assert s.book is not None
    names = _passed_on(s)
    by_id = {e.id: e for e in s.book.events}
    lines = wrap("title", "This was passed on. It counts as yours if you did or read it yourself:", s.width)
    for name in names:
        lines += wrap("text", one_line(event_text(s.desk.knowledge, by_id[name])), s.width, "- ", "  ")
    lines += wrap("title", f"If all of it is so, type: {MINE_WORDS}", s.width)
    typed = yield Ask(tuple(lines), "vouch> ", (MINE_WORDS,))
    if not _says(typed, MINE_WORDS):
        return [*wrap("warn", "Not recorded: those were not the words.", s.width), *s.here()]
    return s.save([("danger", {"what": "vouched", "events": names})])
