"""What an answer to a check says outright: the one grammar of the shell, of case files and of logs. Nothing is guessed here."""

from __future__ import annotations

from diagnose.knowledge import model as m

UNKNOWN = ("do not know", "do-not-know", "don't know", "dont know", "not known", "unknown", "no idea", "dk")
UNREACHED = (
    "cannot", "can not", "can't", "cant", "cannot reach", "cannot-reach", "can not reach", "can't reach", "cant reach",
    "not possible", "no access",
)  # fmt: skip
LONGEST_NUMBER = 3  # digits of a number in the list


def plain(text: str) -> str:
    """The words of an answer: lower case, single blanks, straight apostrophes, no `=` before and no full stop behind."""
    return " ".join(text.strip().lstrip("=").lower().replace("’", "'").split()).rstrip(".!").rstrip()


def said(check: m.Check, text: str) -> tuple[str, ...]:
    """The outcomes that a text names: one, several where it fits several, none where it says something else.

    `do-not-know` and `cannot-reach` stand for themselves. A text is the outcome's id, with blanks or hyphens,
    and where nothing is measured also its number in the list, its sentence, or what people say for it.
    Nothing is taken from a part of a text: `no` is in `normal`.
    """
    word = plain(text)
    if word in UNKNOWN:
        return ("do-not-know",)
    if word in UNREACHED:
        return ("cannot-reach",)
    for name in (word, word.replace(" ", "-")):
        if name in check.outcome_ids:
            return (name,)
    if check.gauge or not word:
        return ()
    if word.isdecimal():
        return (check.outcomes[int(word) - 1].id,) if len(word) <= LONGEST_NUMBER and 1 <= int(word) <= len(check.outcomes) else ()
    return tuple(o.id for o in check.outcomes if word in (plain(o.says), *map(plain, o.phrases)))
