"""The alarm: danger heard in whatever is typed is saved, then asked, before anything else happens to the line.

While such a question is open it is the only one, whatever is typed, after a new start as well: it stands in
the log and not in this program. Until it is answered it counts as yes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from diagnose.knowledge import model as m
from diagnose.report import text as t
from diagnose.report.lines import Line, wrap
from diagnose.shell.answers import at_text, places_said, where
from diagnose.shell.casebook import Row
from diagnose.shell.dialog import Ask, Talk, pick
from diagnose.shell.lookup import find_checks, split_read
from diagnose.shell.open_case import OpenCase
from diagnose.shell.records import bare_record
from diagnose.shell.registry import NAMES, command, split
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place, PlaceError, describe, parse_numbers
from diagnose.source.problems import one_line
from diagnose.words.hearing import Heard
from diagnose.words.resets import resets_again

if TYPE_CHECKING:
    from diagnose.casework.view import Asked
UNCLEAR = "not-clear"
GENERAL = "Is anything hot, smoking, wet, broken open, or did anybody get a shock?"
YES = ("y", "yes", "yep", "yeah", "ja", "1")
NO = ("n", "no", "nope", "none", "2")
NOT_KNOWN = ("?", "do not know", "don't know", "dont know", "dk", "not sure", "no idea", "maybe")
LONGEST = 2000  # characters of a line that are kept with an alarm
MOST_SIGNS = 3  # that are asked about in one line, one after the other
MOST_LINES = 200  # of a pasted block that are listened to
NO_RESET = "Do not reset it again, and let nobody else do it: it stays off until a qualified person has found out why it tripped."
# Commands whose words are names of files, ports and roles.
DEAF = (
    "evidence", "probe", "export", "report", "instruments", "role", "on-site", "resume", "help",
    "made-safe", "energized", "reported-safe",
)  # fmt: skip
SPOKEN = ("help", "report", "evidence", "export")  # of these, words that also begin a cry: "help there is smoke"
_WORD = re.compile(r"[^\W\d_]{3}|[^\W\d_a-zA-Z]")  # a word, where the number of a lock or a value has none
NAMING = ("read", "check", "what-if", "repaired")  # commands that name something of the rule base


# ---- hearing


def hear(s: OpenCase, typed: str) -> Heard | None:
    """The danger that a line, or a pasted block, speaks of."""
    if "\n" in typed:
        heard = (hear(s, line) for line in typed.splitlines()[:MOST_LINES] if line.strip())
        return next((h for h in heard if h is not None), None)
    text = " ".join(typed.split())[:LONGEST]
    if not _WORD.search(text) or _is_answer(s, text):
        return None
    word, rest = _command(text)
    if (not rest and word) or (word in DEAF and not (word in SPOKEN and len(rest.split()) > 2)):
        return None
    if word == "danger":
        if s.dialog is None and current(s) is None:
            return None  # whoever types the command means it, and is not asked
        text = rest
    if word in NAMING:
        text = _unnamed(s, rest)
    elif "=" in text and _names_an_answer(s, text):
        return None
    return s.desk.listen(text) if text else None


def reset_lines(s: OpenCase, typed: str) -> list[Line]:
    """What is said at once to whoever tells, wherever, of resetting again and again; it keeps nothing from happening to the line."""
    for line in typed.splitlines()[:MOST_LINES]:
        text = " ".join(line.split())[:LONGEST]
        word, rest = _command(text)
        if (word in DEAF and word not in SPOKEN) or word == "what-if":
            continue
        if resets_again(_unnamed(s, rest) if word in NAMING else text):
            return wrap("danger", NO_RESET, s.width, "", "  ")
    return []


def _is_answer(s: OpenCase, text: str) -> bool:
    """Whether a line is, word for word, an answer to what is asked: an answer raises its own danger."""
    said = text.lower()
    if s.dialog is not None:
        return said in s.dialog.ask.words or said.replace(" ", "-") in s.dialog.ask.words
    step = s.step
    check = s.desk.knowledge.checks.get(step.id) if step and step.kind == "check" else None
    return check is not None and _is_outcome(check, said)


def _command(text: str) -> tuple[str, str]:
    """The command that a line begins with, empty when it is none, and the rest."""
    word, rest = split(text)
    return (word if word in NAMES or word in DEAF else ""), rest


def _is_outcome(check: m.Check, said: str) -> bool:
    return said.replace(" ", "-") in check.outcome_ids or any(
        said == o.says.lower() or said in (p.lower() for p in o.phrases) for o in check.outcomes
    )


def _names_an_answer(s: OpenCase, text: str) -> bool:
    """Whether a line is `CHECK at PLACE = ANSWER`, with an answer of that check: it raises its own danger."""
    words, _, answer = split_read(text)
    if s.book is None or not words or not answer:
        return False
    named = find_checks(s, words, 2)
    return len(named) == 1 and _is_outcome(named[0], answer.lower())


def _unnamed(s: OpenCase, rest: str) -> str:
    """What a command that names a check or repair says beyond that name."""
    k = s.desk.knowledge
    words, _, answer = split_read(rest)
    name = "-".join(words.lower().split())
    check = k.checks.get(name) or next((c for c in k.checks.values() if c.title.lower() == words.lower()), None)
    if check is not None:
        return "" if _is_outcome(check, answer.lower()) else answer
    if name in k.remedies or any(r.title.lower() == words.lower() for r in k.remedies.values()):
        return answer
    return rest


# ---- asking


def sound(s: OpenCase, heard: Heard, text: str) -> list[Line]:
    """Save and ask what was heard; the line itself goes on when it was no danger."""
    _keep(s, heard, text)
    if (asked := current(s)) is not None:
        s.held[asked.event] = text
    return question_lines(s)


def _keep(s: OpenCase, heard: Heard, typed: str) -> None:
    """Save the words as an open danger, opening a case for it where there is none."""
    words = one_line(typed, LONGEST)
    at, rows = _placed_by_words(s, words, heard.panel)
    if s.book is None:
        s.create_early(words, rows)
        rows = []
    sign = heard.signs[0] if heard.signs and not heard.doubtful else ""
    asked: dict[str, object] = {"what": "asked", "words": words, "sign": sign, "at": at, "heard": ", ".join(heard.because)}
    if sign and len(heard.signs) > 1:
        asked["also"] = list(heard.signs[1:MOST_SIGNS])
    s.record([*rows, ("danger", asked)])


def _placed_by_words(s: OpenCase, words: str, panel: bool) -> tuple[str, list[Row]]:
    """Where the words say it is; a site of which nothing is known grows to hold the unit that was named."""
    site = s.site
    if panel and site is not None and len(site.places("panel")) == 1:
        return str(site.places("panel")[0]), []
    if site is not None and not s.is_bare:
        return at_text(places_said(site, "unit", words)), []
    every = Site("", tuple(range(1, 248)))
    said = places_said(every, "unit", words)
    if panel or not said or len(said) == len(every.units):
        return "", []
    return at_text(said), grown(s, max(p.number for p in said))


def grown(s: OpenCase, units: int) -> list[Row]:
    """The row that makes a site without a record large enough for `units`."""
    if s.site is not None and len(s.site.units) >= units:
        return []
    return [("record", {"record": bare_record(units, False)})]


def current(s: OpenCase) -> Asked | None:
    """The open question: the last words that were heard."""
    return s.seen.asked[-1] if s.seen and s.seen.asked else None


def question_lines(s: OpenCase) -> list[Line]:
    """The emergency line where it belongs, then the question."""
    asked = current(s)
    if asked is None or s.seen is None:
        return []
    stop = next((x for x in s.seen.stop_use if x.source == asked.event), None)
    lines: list[Line] = []
    if stop is not None and stop.emergency:
        lines += t.caution_lines([row for row in stop.first if row[0] not in s.told], s.width, "danger")
        s.told |= {row[0] for row in stop.first[1:]}  # the number to call is said in full each time it is asked
    return [*lines, *_asking(s, asked)]


def _asking(s: OpenCase, asked: Asked) -> list[Line]:
    lines = wrap("text", f'You said: "{one_line(asked.words, 200)}"', s.width, "", "  ")
    outcome = s.desk.knowledge.checks[m.DANGER].outcome(asked.sign) if asked.sign else None
    question = f"Is that a danger sign: {outcome.says}?" if outcome else GENERAL
    lines += wrap("title", f"{question} (y, n; not sure counts as yes)", s.width)
    return lines


def answer(s: OpenCase, typed: str) -> list[Line] | None:
    """One line while the question is open. None when it was denied."""
    asked = current(s)
    assert asked is not None
    word = " ".join(typed.lower().split()).rstrip(".!")
    if word in NO:
        s.record([("danger", {"what": "denied", "asked": asked.event})])
        return None
    if word in YES or word in NOT_KNOWN:
        return _yes(s, asked)
    heard = hear(s, typed)
    if heard is not None:
        return sound(s, heard, typed)
    if asked.event in s.asked_again:
        return wrap("warn", "First: is that dangerous? Type y or n.", s.width)
    s.asked_again.add(asked.event)
    return [*wrap("warn", "First this, before anything else. Type y or n.", s.width), *_asking(s, asked)]


def _yes(s: OpenCase, asked: Asked) -> list[Line]:
    if not asked.sign:
        return s.talk(lambda: _talk_which(s, asked), alarm=True)
    return confirm(s, asked, asked.sign)


def _talk_which(s: OpenCase, asked: Asked) -> Talk:
    """Which sign it is. The words stand as a danger until this is answered."""
    check = s.desk.knowledge.checks[m.DANGER]
    options = [(o.id, o.says) for o in check.outcomes[1:]]
    sign = yield from pick("Which comes nearest? (Enter: not clear)", options, s.width, "number> ", UNCLEAR)
    return confirm(s, asked, sign)


def confirm(s: OpenCase, asked: Asked, sign: str) -> list[Line]:
    """The words were a danger: record the sign, then ask where, if that is not known."""
    lines = stop(s, sign, asked.at, [("danger", {"what": "confirmed", "asked": asked.event})])
    also = _also(s, asked)
    if not also:
        return lines
    s.record([("danger", {"what": "asked", "words": asked.words, "sign": x, "at": asked.at, "heard": ""}) for x in also])
    return lines if s.dialog is not None else [*lines, *question_lines(s)]


def _also(s: OpenCase, asked: Asked) -> list[str]:
    """Other signs that the same words spoke of; they are asked once the first of them was no false alarm."""
    assert s.book is not None
    event = next((e for e in s.book.events if e.id == asked.event), None)
    also = event.data.get("also") if event is not None else None
    known = s.desk.knowledge.checks[m.DANGER].outcome_ids
    return [str(x) for x in also if x in known] if isinstance(also, list) else []


def stop(s: OpenCase, sign: str, at: str, more: Iterable[Row] = (), complaint: bool = False) -> list[Line]:
    """Record a danger sign at once, for the whole site where its place is not known yet, and ask where."""
    check = m.PANEL_DANGER if at.startswith("panel") and m.PANEL_DANGER in s.desk.knowledge.checks else m.DANGER
    data: dict[str, object] = {"check": check, "at": at, "answer": sign}
    if complaint:
        data["complaint"] = True
    s.leave_opening()
    reading = s.record([("reading", data), *more])[0]
    if at or (s.site is not None and not s.is_bare and len(s.site.places("unit")) == len(s.site.places("panel")) == 0):
        return s.after()
    return s.talk(lambda: talk_where(s, reading.id), alarm=True)


def talk_where(s: OpenCase, reading: str) -> Talk:
    """Where a danger is that was recorded for the whole site."""
    lines = [*first_lines(s), *wrap("title", "Where? A unit's number, 'panel', 'all', or ? for not known.", s.width)]
    ask = Ask(tuple(lines), "where> ", ("all", "panel"), (), raw=True)
    while True:
        typed = (yield ask).strip()
        try:
            places, rows = _where(s, typed)
            break
        except ValueError as error:
            text = str(error)
            told = f"{text[:1].upper()}{text[1:]}. Or type 'panel', 'all', or ? for not known; 'cancel' leaves it open."
            ask = Ask(
                lines=tuple(wrap("warn", told, s.width)), prompt="where> ",
                words=ask.words, help=tuple(lines), again=True, raw=True,
            )
    if not places:
        return s.after()
    s.record([*rows, ("danger", {"what": "placed", "reading": reading, "at": describe(places) if places != (SITE,) else "site"})])
    return s.after()


def _where(s: OpenCase, typed: str) -> tuple[tuple[Place, ...], list[Row]]:
    """The places of an answer to "where?", and what has to be recorded first; none for not known."""
    word = " ".join(typed.lower().split())
    site = s.site
    assert site is not None
    if word in ("", *NOT_KNOWN):
        return (), []
    if word in ("all", "everywhere", "whole site", "site"):
        return (SITE,), []
    if re.match(r"(?:the\s+)?(?:panels?|breaker\s+box|fuse\s*box|switchboard|board)\b", word):
        return site.find(re.sub(r"^\D+", "", word), "panel"), []
    if not s.is_bare:
        return where(site, "unit", typed), []
    numbers = parse_numbers(re.sub(r"^(?:at\s+)?(?:units?|numbers?|no\.?|posts?|stations?|#)\s*", "", word), 247)
    if max(numbers) > 247:
        raise PlaceError("units are numbered from 1 to 247")
    return tuple(Place("unit", n) for n in numbers), grown(s, max(numbers))


def first_lines(s: OpenCase) -> list[Line]:
    """What stands before anything else when use is stopped."""
    if s.seen is None:
        return []
    lines = t.first_lines(s.seen.stop_use, s.width, s.told)
    s.told |= {row[0] for x in s.seen.stop_use if not x.made_safe for row in x.first}
    return lines


def unplaced(s: OpenCase) -> str:
    """A recorded sign of which nobody has said where it is; empty when there is none."""
    state = s.state_now
    if state is None:
        return ""
    placed = {str(x.data.get("reading")) for x in state.said if x.what == "placed"}
    for r in state.readings:
        if r.check in m.SIGNS and r.outcome not in (None, s.desk.knowledge.checks[r.check].normal) and not r.places and r.event not in placed:
            return r.event
    return ""


# ---- the command


@command("danger", "[WORDS]", "report a danger sign")
def danger(s: OpenCase, rest: str) -> list[Line]:
    """`danger [WORDS]`: whoever types it means it."""
    heard = s.desk.listen(rest) if rest else None
    if heard is not None and heard.signs:
        return stop(s, heard.signs[0], _placed_by_words(s, rest, heard.panel)[0])
    return sound(s, Heard((), True, (), False), rest or "danger")
