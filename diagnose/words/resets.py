"""Whether a line tells that somebody resets a protective device again and again, or means to once more.

Closing a breaker or resetting a ground-fault device again before a qualified person has found out why it opened is
forbidden at work (OSHA 29 CFR 1910.334(b)(2)); for everybody else leaving it alone is common practice.
"""

from __future__ import annotations

import re

from diagnose.words.clauses import raw_words

_ENDING = r"(?:s|es|ed|ing|ped|ping|ting)?"
# What else is put back or comes on again: the cable on its hook, a cover, a screen.
_WORD = r"(?: (?!(?:cable|cord|hook|cover|lid|door|plug|handle|screen|display|lights?|lamps?|car|cars|list|phone)\b)\w+)"
_BACK = r"(?:back(?: on| in| up| over)?|on again|in again|up again)"
# Closing a device: reset, re-close; flip, switch, push ... it back on. The gap is "the big breaker in the cupboard".
_CLOSES = re.compile(
    r"\b(?:re ?set(?:s|ting|ted)?|re ?clos(?:e|es|ed|ing)|re ?arm(?:s|ed|ing)?"
    rf"|(?:flip|flick|switch|turn|push|press|put|click|snap|throw|knock|pop|threw){_ENDING}{_WORD}{{1,6}}? {_BACK}"
    rf"|(?:keep|keeps|kept) (?:flip|flick|switch|turn|push|press|put|click|throw|pop){_ENDING} {_BACK}"
    rf"|(?:flip|flick|switch|turn){_ENDING}{_WORD}{{0,6}}? (?:off and on|on and off)"
    rf"|(?:flip|flick|press|push|hit){_ENDING}{_WORD}{{0,3}}? (?:breaker|switch|fuse|rcd|gfci|test button))\b"
)
_MANY = re.compile(
    r"\b(?:twice|thrice|(?:\d+|two|three|four|five|six|seven|eight|nine|ten|a few|few|a couple of|couple of"
    r"|several|many|multiple|dozens? of|loads of|lots of) (?:more )?(?:times?|goes|x)"
    r"|\d+ ?x|x ?\d+|again and again|over and over|time and again|time after time|again|repeatedly|constantly"
    r"|continually|always|non ?stop|all (?:day|week|night|morning|the time)|once more|one more time"
    r"|another go"
    r"|(?:keep|keeps|kept|keeping) (?:on )?(?:having to )?(?=\w)"
    r"|(?:every|each) (?:\w+ )?(?:\w+ )?(?:time|day|morning|evening|night|hour|hours|minute|minutes|charge"
    r"|week)"
    r"|(?:once|twice) (?:a|an|per) (?:day|hour|week)|daily|hourly|still (?:trips|tripping|pops|popping|goes|kicks))\b"
)
_NOT = re.compile(r"\b(?:not|never|nobody|without|no one|stopped|do not|did not|won t)\b(?: \w+){0,4} ?$")
_OTHER = re.compile(
    r"\b(?:router|modem|switch of the network|password|passcode|pin code|account|app|phone|laptop|browser"
    r"|wi ?fi|sim|network switch|access point|clock|counter|meter reading|odometer)\b"
)
_ITSELF = re.compile(r"\b(?:itself|by its own|on its own|by itself|automatic(?:ally)?|auto)\b")


def resets_again(text: str) -> bool:
    """Whether a line tells of resetting a tripped device more than once, or of meaning to do so again. Pure."""
    words = " ".join(w for w in raw_words(text) if w != "-")  # with its stops: what closes, and its denial, stands in one clause
    found = [x for x in _CLOSES.finditer(words) if not _NOT.search(words[: x.start()])]
    return bool(found) and not _OTHER.search(words) and not _ITSELF.search(words) and _MANY.search(words) is not None
