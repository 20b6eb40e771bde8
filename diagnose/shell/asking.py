"""Questions that several dialogs ask: at which places, and what of the rule base a complaint means."""

from __future__ import annotations

from collections.abc import Generator

from diagnose.knowledge import model as m
from diagnose.report.lines import Line, wrap
from diagnose.shell.answers import at_text, places_said, where
from diagnose.shell.casebook import Row
from diagnose.shell.dialog import Ask, pick
from diagnose.shell.open_case import OpenCase
from diagnose.site.model import Site
from diagnose.site.places import KINDS, Place, describe

NONE = "-"


def first_up(text: str) -> str:
    """A text that begins with a capital."""
    return text[:1].upper() + text[1:]


def family_lines(s: OpenCase) -> list[Line]:
    """The families of complaints."""
    titles = [c.title for c in s.desk.knowledge.checks.values() if c.complaint and c.id not in m.SIGNS]
    return [
        *wrap("text", "It may be about:", s.width),
        *(line for t in titles for line in wrap("text", t, s.width, "- ", "  ")),
    ]


def match_complaint(s: OpenCase, complaint: str) -> Generator[Ask, str, tuple[str, str]]:
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


def _by_family(s: OpenCase) -> Generator[Ask, str, tuple[str, str]]:
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


def ask_where(
    s: OpenCase, site: Site, check: m.Check, outcome: str, complaint: str
) -> Generator[Ask, str, list[Row]]:
    """Where a complaint holds, and for sweeps how the others are."""
    places = yield from ask_places(s, site, check.at, check.title, complaint)
    data = {"check": check.id, "at": at_text(places), "answer": outcome, "complaint": True}
    rows: list[Row] = [("reading", data)]
    others = tuple(p for p in site.places(check.at) if p not in places)
    if check.sweep and places and others:
        more = yield from _ask_others(s, check, others)
        if more:
            rows.append(("reading", {"check": check.id, "at": at_text(others), "answer": more}))
    return rows


def ask_places(
    s: OpenCase, site: Site, kind: str, title: str, said: str = "", known: bool = False
) -> Generator[Ask, str, tuple[Place, ...]]:
    """At which places of a kind `title` is, was or is to be; empty for not known, which `known` does not allow.

    `said` is what was said before: a place named in it is proposed.
    """
    here = site.places(kind)
    if len(here) <= 1:
        return here
    guess = places_said(site, kind, said)
    word = KINDS[kind].ask or kind
    example = describe(here[:3]) if kind == "unit" else str(here[0])
    ways = (
        f"a number, a range, 'all'{'' if known else ', or ? for not known'}"
        if kind == "unit"
        else f"for instance {example}"
    )
    enter = f" Enter: {describe(guess)}." if guess else ""
    lines = wrap("title", f"{title}: at which {word}? ({ways}){enter}", s.width)
    words = ("all", *(str(p) for p in here[:40]))
    ask = Ask(lines=tuple(lines), prompt="where> ", words=words, help=(), again=False, raw=True)
    while True:
        typed = (yield ask).strip()
        if not typed and guess:
            return guess
        try:
            if not typed:
                raise ValueError(f"name the {word}: {ways}")
            places = where(site, kind, typed)
            if places or not known:
                return places
            raise ValueError(f"name the {word}, for instance {example}")
        except ValueError as error:
            ask = Ask(
                lines=tuple(wrap("warn", f"{first_up(str(error))}.", s.width)),
                prompt="where> ",
                words=words,
                help=tuple(lines),
                again=True,
                raw=True,
            )


def _ask_others(s: OpenCase, check: m.Check, others: tuple[Place, ...]) -> Generator[Ask, str, str]:
    """The outcome at the other places, or nothing when it is not known."""
    normal = check.outcomes[0].says
    question = f"And {describe(others)}: {normal}? (y, n, or ? for not known)"
    ask = Ask(
        lines=tuple(wrap("title", question, s.width)), prompt="others> ", words=("yes", "no", "do not know"), help=(),
        again=False, raw=True,
    )
    while True:
        word = (yield ask).strip().lower()
        if word in ("y", "yes"):
            return check.normal
        if word in ("?", "do not know", "don't know", "unknown", "dk"):
            return ""
        if word in ("n", "no"):
            break
        ask = Ask(
            lines=tuple(wrap("warn", "Type y, n or ?.", s.width)), prompt="others> ", words=ask.words, help=(),
            again=True, raw=True,
        )
    options = [(o.id, o.says) for o in check.outcomes[1:]]
    chosen = yield from pick(
        f"How are {describe(others)}?", [*options, (NONE, "mixed, or not known")], s.width, "number> "
    )
    return "" if chosen == NONE else chosen
