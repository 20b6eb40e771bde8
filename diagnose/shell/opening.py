"""How a case begins: danger signs first, then what is wrong, where, and who is speaking."""

from __future__ import annotations

from collections.abc import Generator
from typing import TYPE_CHECKING, NamedTuple

from diagnose.knowledge import model as m
from diagnose.report.lines import Line, numbered, wrap
from diagnose.shell import alarm
from diagnose.shell.desk import DANGER
from diagnose.shell.dialog import Ask, Talk, pick
from diagnose.shell.refusal import Refusal, refused
from diagnose.source.problems import InputError

if TYPE_CHECKING:
    from diagnose.shell.casebook import Row
    from diagnose.shell.session import Session
    from diagnose.site.model import Site
    from diagnose.site.places import Place

NONE = "-"
NARROW = 60  # columns; below it no list that the question names already
SHORT_WAYS = "n for none. Else say what it is, or ? for the list."
ROLE_CHOICES = (
    ("contact", "site contact: on the spot, opens and measures nothing"),
    ("agent", "help-desk agent: on the phone, with remote access"),
    ("technician", "qualified service technician"),
    ("electrician", "licensed electrician"),
)


class Opened(NamedTuple):
    """What the opening questions brought."""

    title: str
    complaint: str
    record: str
    role: str
    rows: tuple[Row, ...]


class Draft:
    """What is known while the questions are still being asked, for a session that ends in between."""

    def __init__(self) -> None:
        self.danger = ""
        self.complaint = ""


def talk_opening(s: Session) -> Talk:
    """The opening. Opens the case at its end, or at once when there is a danger sign."""
    k = s.desk.knowledge
    check = k.checks[DANGER]
    sign, said = yield from _ask_danger(s, check)
    s.draft.danger = sign
    if sign not in (check.normal, *m.NO_ANSWER):
        outcome = check.outcome(sign)
        s.draft.complaint = said if len(said.split()) > 1 else f"Danger: {outcome.says if outcome else sign}"
        return alarm.stop(s, sign, "", complaint=True)
    complaint, found = yield from _ask_complaint(s, said)
    record, site = yield from _ask_record(s, complaint)
    rows: list[Row] = [("reading", {"check": DANGER, "at": _all(site), "answer": sign})]
    if sign == check.normal and alarm.PANEL_SIGNS in k.checks:  # the question named the panel too
        rows.append(("reading", {"check": alarm.PANEL_SIGNS, "at": _all(site, "panel"), "answer": sign}))
    if found[0]:
        rows += yield from ask_where(s, site, k.checks[found[0]], found[1], complaint)
    role = s.options.role or (
        yield from pick("Who are you?", ROLE_CHOICES, s.width, "role (Enter: site contact)> ", "contact")
    )
    return s.open_case(Opened(complaint, complaint, record, role, tuple(rows)))


def _all(site: Site, kind: str = "unit") -> str:
    from diagnose.site.places import describe

    return describe(site.places(kind))


def danger_lines(check: m.Check, width: int) -> list[Line]:
    """The danger question. It names the signs itself, so a narrow screen has no list of them below it."""
    ask = check.ask.replace("{place}", "any unit")
    lines = wrap("danger", f"First: {ask[:1].lower()}{ask[1:]}", width)
    if width < NARROW:
        return [*lines, *wrap("title", SHORT_WAYS, width)]
    return [*lines, *numbered([o.says for o in check.outcomes], width)]


def _ask_danger(s: Session, check: m.Check) -> Generator[Ask, str, tuple[str, str]]:
    """(outcome, what was said). Words that are no danger sign are kept as the complaint."""
    words = (*check.outcome_ids, "do not know", *(p for o in check.outcomes for p in (o.says, *o.phrases)))
    lines = danger_lines(check, s.width)
    help_lines = (*wrap("text", check.how, s.width), *numbered([o.says for o in check.outcomes], s.width))
    ask = Ask(tuple(lines), "danger signs (n: none)> ", words, help_lines)
    said = ""
    while True:
        typed = (yield ask).strip()
        outcome = _danger_said(s, check, typed)
        if outcome:
            return outcome, (typed if outcome not in (check.normal, *m.NO_ANSWER) else said)
        if len(typed.split()) > 1:
            said = typed
            again = "First the danger signs. Type the number of what you see, or n for none. What you said is kept."
            ask = Ask(tuple(wrap("warn", again, s.width)), ask.prompt, words, help_lines)
        else:
            line = f"Which one? Its number, or {len(check.outcomes)} if you cannot tell. n for none."
            ask = Ask(tuple(wrap("warn", line, s.width)), ask.prompt, words, help_lines, True)


def _danger_said(s: Session, check: m.Check, typed: str) -> str:
    from diagnose.casework.state import AnswerError
    from diagnose.shell.answers import Taken, understand
    from diagnose.site.model import Site

    try:
        taken = understand(s.desk.knowledge, Site("", (1,)), check, (), typed)
        return taken.text if isinstance(taken, Taken) else ""
    except AnswerError:
        return ""


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _ask_complaint(s: Session, said: str) -> Generator[Ask, str, tuple[str, tuple[str, str]]]:
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


def family_lines(s: Session) -> list[Line]:
    """The families of complaints."""
    titles = [c.title for c in s.desk.knowledge.checks.values() if c.complaint and c.id not in m.SIGNS]
    return [
        *wrap("text", "It may be about:", s.width),
        *(line for t in titles for line in wrap("text", t, s.width, "- ", "  ")),
    ]


def match_complaint(s: Session, complaint: str) -> Generator[Ask, str, tuple[str, str]]:
    """What of the rule base a complaint means, asked back; ("", "") when none of it."""
    k = s.desk.knowledge
    found = [key for key, _ in s.desk.complaints().search(complaint)]
    if found:
        options = [(f"{c}:{o}", _tell(k, c, o)) for c, o in found]
        chosen = yield from pick(
            "Which comes nearest?", [*options, (NONE, "none of these")], s.width, "number> "
        )
        if chosen != NONE:
            check, _, outcome_id = chosen.partition(":")
            return check, outcome_id
    return (yield from _by_family(s))


def _by_family(s: Session) -> Generator[Ask, str, tuple[str, str]]:
    k = s.desk.knowledge
    checks = [(c.id, c.title) for c in k.checks.values() if c.complaint and c.id not in m.SIGNS]
    while True:
        chosen = yield from pick(
            "What is it about?", [*checks, (NONE, "nothing of this: begin without it")], s.width, "number> "
        )
        if chosen == NONE:
            return "", ""
        check = k.checks[chosen]
        options = [(o.id, o.says) for o in check.outcomes[1:]]
        outcome = yield from pick(check.title + ":", [*options, (NONE, "none of these")], s.width, "number> ")
        if outcome != NONE:
            return chosen, outcome


def _tell(k: m.Knowledge, check: str, outcome: str) -> str:
    found = k.checks[check].outcome(outcome)
    return f"{k.checks[check].title}: {found.says if found else outcome}"


def _ask_record(s: Session, complaint: str) -> Generator[Ask, str, tuple[str, Site]]:
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
            from diagnose.shell.records import read_record

            return read_record(typed, s.desk.knowledge)
        except InputError as error:
            text = str(refused(error))
        except Refusal as error:
            text = str(error)
        ask = Ask(tuple(wrap("warn", f"{_first_up(text)}.", s.width)), ask.prompt, (), tuple(lines), True)
    return (yield from _ask_bare(s, complaint))


def _ask_bare(s: Session, complaint: str) -> Generator[Ask, str, tuple[str, Site]]:
    from diagnose.shell.records import bare_record

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
    from diagnose.shell.answers import places_said
    from diagnose.site.model import Site

    every = Site("", tuple(range(1, 248)))
    said = places_said(every, "unit", text)
    return [p.number for p in said] if len(said) < 247 else []


def ask_where(
    s: Session, site: Site, check: m.Check, outcome: str, complaint: str
) -> Generator[Ask, str, list[Row]]:
    """Where a complaint holds, and for sweeps how the others are."""
    from diagnose.shell.answers import at_text

    places = yield from ask_places(s, site, check, complaint)
    data = {"check": check.id, "at": at_text(places), "answer": outcome, "complaint": True}
    rows: list[Row] = [("reading", data)]
    others = tuple(p for p in site.places(check.at) if p not in places)
    if check.sweep and places and others:
        more = yield from _ask_others(s, check, others)
        if more:
            rows.append(("reading", {"check": check.id, "at": at_text(others), "answer": more}))
    return rows


def ask_places(
    s: Session, site: Site, check: m.Check, said: str = "", known: bool = False
) -> Generator[Ask, str, tuple[Place, ...]]:
    """Where a check is or was taken; empty for not known, which `known` does not allow."""
    from diagnose.shell.answers import places_said, where
    from diagnose.site.places import describe

    here = site.places(check.at)
    if len(here) <= 1:
        return here
    guess = places_said(site, check.at, said)
    kind = {"trunk-end": "end of the trunk"}.get(check.at, check.at)
    example = describe(here[:3]) if check.at == "unit" else str(here[0])
    ways = (
        f"a number, a range, 'all'{'' if known else ', or ? for not known'}"
        if check.at == "unit"
        else f"for instance {example}"
    )
    enter = f" Enter: {describe(guess)}." if guess else ""
    lines = wrap("title", f"{check.title}: at which {kind}? ({ways}){enter}", s.width)
    words = ("all", *(str(p) for p in here[:40]))
    ask = Ask(tuple(lines), "where> ", words, (), False, True)
    while True:
        typed = (yield ask).strip()
        if not typed and guess:
            return guess
        try:
            if not typed:
                raise ValueError(f"name the {kind}: {ways}")
            places = where(site, check.at, typed)
            if places or not known:
                return places
            raise ValueError(f"name the {kind}, for instance {example}")
        except ValueError as error:
            ask = Ask(
                tuple(wrap("warn", f"{_first_up(str(error))}.", s.width)),
                "where> ",
                words,
                tuple(lines),
                True,
                True,
            )


def _ask_others(s: Session, check: m.Check, others: tuple[Place, ...]) -> Generator[Ask, str, str]:
    """The outcome at the other places, or nothing when it is not known."""
    from diagnose.site.places import describe

    normal = check.outcomes[0].says
    question = f"And {describe(others)}: {normal}? (y, n, or ? for not known)"
    ask = Ask(
        tuple(wrap("title", question, s.width)), "others> ", ("yes", "no", "do not know"), (), False, True
    )
    while True:
        word = (yield ask).strip().lower()
        if word in ("y", "yes"):
            return check.normal
        if word in ("?", "do not know", "don't know", "unknown", "dk"):
            return ""
        if word in ("n", "no"):
            break
        ask = Ask(tuple(wrap("warn", "Type y, n or ?.", s.width)), "others> ", ask.words, (), True, True)
    options = [(o.id, o.says) for o in check.outcomes[1:]]
    chosen = yield from pick(
        f"How are {describe(others)}?", [*options, (NONE, "mixed, or not known")], s.width, "number> "
    )
    return "" if chosen == NONE else chosen
