"""A line as words in their clauses, each with whether it is denied there."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from typing import NamedTuple


class Token(NamedTuple):
    """A word of a line.

    said      as it was typed, in small letters
    word      as it was meant, without its ending
    sentence  number of the sentence; clause: number of the clause in the line
    denied    whether it is denied within its clause
    """

    said: str
    word: str
    sentence: int
    clause: int
    denied: bool = False


_SMS = {
    "u": "you", "ur": "your", "r": "are", "cant": "can not", "cannot": "can not", "wont": "will not", "dont": "do not",
    "doesnt": "does not", "didnt": "did not", "isnt": "is not", "isn": "is not", "wasnt": "was not", "arent": "are not",
    "werent": "were not", "hasnt": "has not", "havent": "have not", "hadnt": "had not", "couldnt": "could not",
    "wouldnt": "would not", "shouldnt": "should not", "aint": "is not", "dnt": "do not", "dosnt": "does not", "dosent": "does not",
    "doesn": "does not", "don": "do not", "im": "i am", "ive": "i have", "theres": "there is", "thats": "that is",
    "whats": "what is", "hes": "he is", "shes": "she is", "noone": "nobody", "w": "with", "wiv": "with", "wth": "with", "w/o": "without",
    "wo": "without", "bc": "because", "cuz": "because", "coz": "because", "cos": "because", "bcos": "because", "cus": "because",
    "tho": "though", "altho": "although", "n": "and", "b4": "before", "smth": "something", "sth": "something", "smthing": "something",
    "sumthing": "something", "nuthin": "nothing", "nothin": "nothing", "nowt": "nothing", "summat": "something", "pls": "please",
    "plz": "please", "rly": "really", "v": "very", "gonna": "going to", "gotta": "got to", "kinda": "a bit", "sorta": "a bit",
    "outta": "out of", "lotsa": "lots of", "da": "the", "teh": "the", "dat": "that", "dis": "this", "wen": "when", "wot": "what",
    "frm": "from", "jus": "just", "jst": "just", "ppl": "people", "ya": "you", "gettin": "getting", "idk": "i do not know", "dunno": "do not know",
    "msg": "message", "hv": "have", "wif": "with", "&": "and", "+": "and",
}  # fmt: skip
_WORD = re.compile(r"\d+(?:[.,]\d+)?|[^\W\d_]+|[.!?;:,\n()&+/]|-")
_NOT = re.compile(r"(?<=[^\W\d_])n['’`´]t\b|\bcan['’`´]t\b|\bwon['’`´]t\b", re.I)
_OWN = re.compile(r"['’`´](?:s|re|ve|ll|d|m)\b", re.I)
_THRICE = re.compile(r"([^\W\d_])\1{2,}")
ENDS = frozenset(".!?;:\n")
TURNS = frozenset(
    [
        "but", "although", "though", "however", "yet", "still", "except", "then", "now", "because", "since",
        "so", "when", "while", "whilst", "whereas", "cause", "and", "as", "after", "before", "if", "plus",
        "instead", "otherwise", "until", "once", "which",
    ]
)
DENIERS = frozenset(["no", "not", "never", "nothing", "none", "nobody", "without", "neither", "nor", "hardly", "zero", "nil", "nope", "negative"])
_OR = frozenset(("or", "nor", "/"))
# After these a denial says nothing about what follows: no longer smoking, not only hot, not sure but I smell ...
_HOLLOW = frozenset(
    [
        "only", "just", "sure", "certain", "longer", "idea", "doubt", "know", "clue", "understand",
        "surprise", "wonder", "good", "right", "normal", "safe", "more", "matter", "joke", "kid", "explain",
        "happy", "pretend", "sit", "long", "before", "once", "certain", "secret", "convinced", "tell", "help",
        "care", "hesitate", "wait", "mention", "exaggerate", "lie",
    ]
)
SMALL = frozenset(
    [
        "a", "an", "the", "is", "are", "was", "were", "be", "been", "being", "am", "have", "has", "had", "do",
        "does", "did", "get", "gets", "got", "getting", "of", "to", "in", "on", "at", "from", "for", "with",
        "by", "about", "i", "we", "you", "they", "he", "she", "it", "its", "this", "that", "these", "those",
        "there", "here", "my", "our", "your", "their", "his", "her", "me", "us", "them", "him", "some", "any",
        "all", "very", "really", "quite", "so", "too", "just", "even", "a", "bit", "little", "also", "again",
        "already", "ever", "at", "that", "rather", "pretty", "somewhat", "slightly", "will", "would", "can",
        "could", "may", "might", "must", "shall", "should", "out", "up", "off", "down", "over", "around",
        "near", "inside", "into", "onto", "one", "ones", "thing", "things", "lot", "lots", "kind", "sort",
        "of", "like", "as", "and",
    ]
)
# What may stand between a denial and what it denies.
_THROUGH = frozenset(
    [
        "a", "an", "the", "is", "are", "was", "were", "be", "been", "being", "am", "have", "has", "had", "do",
        "does", "did", "of", "to", "in", "on", "at", "from", "for", "with", "by", "about", "it", "its",
        "this", "that", "these", "those", "there", "here", "i", "we", "you", "they", "he", "she", "my", "our",
        "your", "their", "his", "her", "me", "us", "them", "some", "any", "anything", "anybody", "anyone",
        "anywhere", "something", "somebody", "someone", "one", "all", "very", "really", "quite", "so", "too",
        "even", "bit", "little", "ever", "yet", "also", "single", "sign", "signs", "trace", "traces", "hint",
        "evidence", "visible", "obvious", "obviou", "appar", "apparent", "new", "can", "could", "would",
        "will", "might", "may", "should", "seem", "appear", "look", "notice", "noticed", "feel", "see",
        "hear", "smell", "find", "observe", "detect", "spot", "get", "got", "getting", "become", "think",
        "believe", "say", "expect", "report", "unusual", "strange", "weird", "odd", "funny", "loud", "bad",
        "major", "serious", "real", "big", "small", "slight", "more", "further", "extra", "other", "physical",
        "kind", "sort", "way", "anymore", "at", "much", "particularly", "especially", "actual", "excess",
        "excessive", "abnormal", "suspicious", "bad", "whatsoever", "immediate", "imminent", "been",
    ]
)
_PERCEIVE = frozenset(["smell", "feel", "look", "hear", "see", "notice"])


def plain(text: str) -> str:
    """The text in small letters with its short forms written out: isn't -> is not, soooo -> soo."""
    text = unicodedata.normalize("NFKC", text).lower()
    text = _NOT.sub(lambda found: {"c": "can not", "w": "will not"}.get(found.group()[0], " not"), text)
    text = _OWN.sub(" ", text)
    return _THRICE.sub(r"\1\1", text)


def raw_words(text: str) -> list[str]:
    """Words, numbers and stops of a text, with the short forms of text messages written out."""
    found: list[str] = []
    for part in _WORD.findall(plain(text)):
        found.extend(_SMS.get(part, part).split(" "))
    return found


def tokenize(
    text: str, mean: Callable[[str], str], telling: Callable[[str], bool], thing: Callable[[str], bool]
) -> list[Token]:
    """The words of a line in their clauses.

    mean     from a word as typed to the word that was meant, without its ending
    telling  whether a word (without ending) is one that danger is told with
    thing    whether it names a part of the equipment: "no handle is hot" denies the heat
    """
    tokens: list[Token] = []
    breaks: list[str] = []  # the stop before each token, or nothing
    sentence = clause = 0
    stop = ""
    for part in raw_words(text):
        if part in ENDS or part in ",()-&+/":
            if part in ENDS:
                sentence += 1
            if part not in "/-&+":
                clause += 1
            stop = part if stop not in ENDS else stop
            continue
        if part in TURNS:
            clause += 1
            stop = stop or part
        tokens.append(Token(part, part if part in DENIERS else mean(part), sentence, clause))
        breaks.append(stop)
        stop = ""
    return _deny(tokens, breaks, telling, thing)


def _deny(
    tokens: Sequence[Token], breaks: Sequence[str], telling: Callable[[str], bool], thing: Callable[[str], bool]
) -> list[Token]:
    denied = [False] * len(tokens)
    for at, token in enumerate(tokens):
        if token.word in DENIERS and token.word not in ("nope", "negative"):
            _reach(tokens, breaks, at, denied, telling, thing)
    _answered(tokens, breaks, denied)
    return [t._replace(denied=d) for t, d in zip(tokens, denied, strict=True)]


def _reach(
    tokens: Sequence[Token], breaks: Sequence[str], at: int, denied: list[bool],
    telling: Callable[[str], bool], thing: Callable[[str], bool],
) -> None:  # fmt: skip
    """Mark what the denial at `at` denies: the next telling words, and the list that they begin."""
    through_things = tokens[at].word in ("no", "none", "nothing", "neither", "never", "nobody", "without")
    hit = False
    for i in range(at + 1, len(tokens)):
        token = tokens[i]
        listed = token.said in _OR or breaks[i] == "/"
        if breaks[i] and not listed:
            # "no smoke, flames or sparks": the list goes on; "no lights, burning smell" does not
            if not (hit and breaks[i] in (",", "and") and _list_goes_on(tokens, breaks, i, telling)):
                return
            if token.said == "and":
                continue
        if i == at + 1 and token.word in _HOLLOW and tokens[at].word in ("not", "no", "never", "nobody", "nothing", "none"):
            return
        if listed and token.said in _OR:
            hit = True
            continue
        if telling(token.word):
            if token.said in _PERCEIVE or (token.word in _PERCEIVE and not hit and _told_later(tokens, breaks, i, telling)):
                denied[i] = True
                continue
            denied[i] = hit = True
            continue
        if token.said in _THROUGH or token.word in _THROUGH or token.word.isdecimal():
            if hit and token.said not in SMALL:
                return
            continue
        if thing(token.word) and through_things and not hit:
            continue
        denied[i] = True
        return


def _told_later(tokens: Sequence[Token], breaks: Sequence[str], at: int, telling: Callable[[str], bool]) -> bool:
    """Whether a telling word follows in the same clause."""
    for i in range(at + 1, min(len(tokens), at + 5)):
        if breaks[i]:
            return False
        if telling(tokens[i].word):
            return True
    return False


def _list_goes_on(tokens: Sequence[Token], breaks: Sequence[str], at: int, telling: Callable[[str], bool]) -> bool:
    """Whether a comma or "and" after a denied word goes on with its list: short parts, an "or" to come."""
    for i in range(at, min(len(tokens), at + 8)):
        if tokens[i].said in ("or", "nor"):
            return True
        if i > at and breaks[i] and breaks[i] not in (",", "/"):
            return False
        if not (telling(tokens[i].word) or tokens[i].said in _THROUGH or tokens[i].said == "and"):
            return False
    return False


def _answered(tokens: Sequence[Token], breaks: Sequence[str], denied: list[bool]) -> None:
    """A question or heading with "no" behind it is denied: "any smoke? no", "shock: none"."""
    for at, token in enumerate(tokens):
        alone = at + 1 == len(tokens) or breaks[at + 1] in ENDS or breaks[at + 1] == ","
        if not (at and alone and token.word in DENIERS and breaks[at] in ("?", ":", "-")):
            continue
        for i in range(at - 1, -1, -1):
            if tokens[i].sentence != tokens[at - 1].sentence:
                break
            denied[i] = True
