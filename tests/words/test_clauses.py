"""Clauses and denial: what is denied, and how far a denial reaches."""

from __future__ import annotations

import pytest

from diagnose.knowledge.load import load
from diagnose.words import listen, listener
from diagnose.words.lexicon import Hit


def plain(text: str) -> list[Hit]:
    return [h for h in listener(load()).seen(text).hits if not h.denied]


@pytest.mark.parametrize(
    "text",
    [
        "no smoke",
        "not hot",
        "isn't buzzing",
        "isnt buzzing",
        "it is not buzzing",
        "without sparks",
        "nobody hurt",
        "nobody was hurt",
        "never smelled",
        "no burning smell",
        "no smoke or flames",
        "no smoke, flames or sparks",
        "no smell and no heat",
        "no sign of smoke",
        "no visible smoke",
        "cannot smell anything burning",
        "I don't see any smoke",
        "no handle is hot",
        "none of the cables are damaged",
        "nothing is hot",
        "it doesn't get hot",
        "it has never been hot",
        "neither smoke nor flames",
        "any smoke? no",
        "smoke: none",
        "nobody got a shock",
    ],
)
def test_denied(text: str) -> None:
    assert plain(text) == []


@pytest.mark.parametrize(
    ("text", "sign"),
    [
        ("no lights and it smells burnt", "burning-smell"),
        ("burnt smell no lights on it", "burning-smell"),
        ("not working, burning smell", "burning-smell"),
        ("no one dares touch it, it zaps you", "shock"),
        ("not sure but I think I can smell burning", "burning-smell"),
        ("it is no longer smoking", "burning-smell"),
        ("it stopped buzzing", "hot-or-buzzing"),
        ("I don't know why but plug is red hot", "hot-or-buzzing"),
        ("not only hot but melted", "hot-or-buzzing"),
        ("cant charge, sparks when I plug in", "hot-or-buzzing"),
        ("nobody was hurt but it went bang", "bang-or-flash"),
        ("never had this before, smoke from the vent", "burning-smell"),
        ("it does not charge, and the cable is split open", "damaged-cable"),
        ("no fire but the plug melted", "hot-or-buzzing"),
        ("no smoke now there are flames", "fire"),
        ("no lights, burning smell", "burning-smell"),
    ],
)
def test_a_denial_ends_with_its_clause(text: str, sign: str) -> None:
    assert sign in {h.sign for h in plain(text)}
    assert listen(text) is not None
