"""What the Tab key offers: commands, checks, answers, places."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.knowledge import model as m

if TYPE_CHECKING:
    from diagnose.shell.session import Session

ASKING = ("do not know", "can't")


def completions(session: Session, text: str) -> tuple[int, list[str]]:
    """How many characters before the cursor are replaced, and the words that may stand there."""
    if session.dialog is not None:
        return _fitting(text, session.dialog.ask.words)
    if session.book is None:
        return 0, []
    first, space, rest = text.lstrip().partition(" ")
    command = first.lower()
    k = session.desk.knowledge
    if not space:
        from diagnose.shell.commands import NAMES

        step = session.step
        check = k.checks.get(step.id) if step and step.kind == "check" else None
        return _fitting(first, (*(check.outcome_ids if check else ()), *(ASKING if check else ()), *NAMES))
    if command == "fact":
        return _fact(session, rest)
    if command in ("check", "read", "what-if"):
        return _check(session, rest)
    words = {
        "role": m.ROLES,
        "on-site": ("yes", "no"),
        "instruments": m.INSTRUMENTS,
        "repaired": tuple(k.remedies),
        "facts": tuple(k.facts),
    }.get(command, ())
    return _fitting(rest.rpartition(",")[2].lstrip(), words)


def _fitting(typed: str, words: tuple[str, ...]) -> tuple[int, list[str]]:
    wanted = typed.lower()
    return len(typed), [w for w in dict.fromkeys(words) if w.lower().startswith(wanted)]


def _fact(session: Session, rest: str) -> tuple[int, list[str]]:
    k = session.desk.knowledge
    name, space, value = rest.partition(" ")
    if not space:
        return _fitting(name, tuple(k.facts))
    spec = k.facts.get(name)
    if spec is None or session.state_now is None:
        return 0, []
    last = value.rpartition(" ")[2]
    places = tuple(str(p) for p in session.state_now.site.places(spec.section)[:40])
    return _fitting(last, (*spec.choices, *(("yes", "no") if spec.kind == "yes-no" else ()), *places))


def _check(session: Session, rest: str) -> tuple[int, list[str]]:
    k = session.desk.knowledge
    head, equals, answer = rest.partition("=")
    name, at, place = head.partition(" at ")
    check = k.checks.get(name.strip())
    if equals:
        return _fitting(answer.lstrip(), (*check.outcome_ids, *ASKING) if check else ())
    if at:
        if check is None or session.state_now is None:
            return 0, []
        return _fitting(place, ("all", *(str(p) for p in session.state_now.site.places(check.at)[:40])))
    return _fitting(name, tuple(k.checks))
