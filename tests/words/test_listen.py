"""Danger heard in lines: each sign, slips of the finger, harmless contexts, lines that are no speech."""

from __future__ import annotations

import time

import pytest

from diagnose.knowledge.load import load
from diagnose.words import listen, listener
from diagnose.words.hearing import Listener
from tests.words.sentences_read import command_lines, complaint_phrases, rule_texts

# Complaints of the rule base that are dangers too, so that hearing them is right.
DANGEROUS_COMPLAINTS = (
    "charges although disabled", "cannot be switched off remotely", "hit by a car", "knocked over", "cracked cover", "post leaning",
    "vandalism", "buzzes lightly", "contactor chatters",
)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "sign"),
    [
        ("flames coming out of the box", "fire"),
        ("the charger is on fire", "fire"),
        ("soot on the wall above unit 5", "burning-smell"),
        ("wall behind the charger is black", "burning-smell"),
        ("fishy smell coming off unit 4", "burning-smell"),
        ("guy working on it got hurt", "hurt"),
        ("dog got electrocuted", "hurt"),
        ("a man is lying next to the charger", "hurt"),
        ("there was a blue flash and a bang", "bang-or-flash"),
        ("it exploded", "bang-or-flash"),
        ("the plug is scalding", "hot-or-buzzing"),
        ("it is crackling and fizzing", "hot-or-buzzing"),
        ("hissing noise from the charger", "hot-or-buzzing"),
        ("I got a tickle from the case", "shock"),
        ("metal post gives you a little buzz when you touch it", "shock"),
        ("you get a belt off the car when it is plugged in", "shock"),
        ("water in the box", "water-inside"),
        ("the cover is hanging open and you can see wires", "open-cover"),
        ("somebody pried it open", "open-cover"),
        ("the lid is off", "open-cover"),
        ("a car ran into post 3", "hit-by-vehicle"),
        ("a van reversed into it last night and it leans over", "hit-by-vehicle"),
        ("the post has been knocked over", "hit-by-vehicle"),
        ("handle fell apart in my hand", "damaged-cable"),
        ("the cable was run over and the skin is split", "damaged-cable"),
        ("breaker off but the plug is still live", "live-when-off"),
        ("it cannot be switched off", "live-when-off"),
        ("the neutral came off", "neutral-lost"),
        ("lights in the building are going very bright and bulbs are popping", "neutral-lost"),
        ("smoke from under the car", "vehicle-battery"),
        ("help, this is dangerous", "not-clear"),
    ],
)
def test_signs(text: str, sign: str) -> None:
    heard = listen(text)
    assert heard is not None
    assert sign in heard.signs
    assert not heard.doubtful
    assert heard.because


def test_the_sign_with_most_words_comes_first() -> None:
    heard = listen("smell of burning plastic from the box, help")
    assert heard is not None
    assert heard.signs[0] == "burning-smell"


@pytest.mark.parametrize(("text", "panel"), [("the panel is humming and hot", True), ("the plug is hot", False)])
def test_the_panel_is_a_place(text: str, panel: bool) -> None:
    heard = listen(text)
    assert heard is not None
    assert heard.panel is panel


@pytest.mark.parametrize(
    "text",
    [
        "mleted plug on number 2",
        "theres smok comming out of it",
        "THE PLUG IS MELTING",
        "its buring hot",
        "i got a shok of it",
        "elecrtic shock from the post",
        "kable is cut",
        "the handel is to hot to tuch",
        "smels brunt",
        "spraks wen i plug in",
        "pls help its on fyre",
    ],
)
def test_slips_of_the_finger(text: str) -> None:
    assert listen(text) is not None


@pytest.mark.parametrize(
    "text",
    [
        "it smells of fresh paint",
        "it is a hot day and power drops",
        "the cable is too short",
        "the handle button is stiff",
        "fire station next door uses unit 2",
        "a car is parked in front of post 3",
        "the fan is loud",
        "the customer was shocked by the bill",
        "shocking service",
        "I am burning through my battery",
        "hot spot is off",
        "water meter reading",
        "the breaker is not hot",
        "flash the firmware",
        "units 6-12 are silent",
        "card not accepted",
        "breaker trips after an hour",
        "no smoke",
    ],
)
def test_harmless(text: str) -> None:
    assert listen(text) is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "   ",
        "why",
        "undo",
        "3",
        "unit 5",
        "59.8 ohm",
        "read connector-heat at unit 5 = normal",
        "repaired replace-surge-protector at unit 3",
        "probe trunk --port /dev/ttyUSB0",
        "what-if danger-signs at 3 = shock",
        "torqued lugs to 4 N·m",
        "01 03 00 00 00 0a c5 cd",
        "/home/me/burning-smell.pcapng",
        "C:\\captures\\fire.csv",
        "2026-11-30T10:15:00Z connector 1 status charging",
    ],
)
def test_what_is_no_speech(text: str) -> None:
    assert listen(text) is None


def test_odd_input_does_no_harm() -> None:
    for text in ("\x00", "🔥", "'" * 500, "not " * 400, "no, " * 300 + "fire", "ﬁre", "a" * 100_000, "<person>", "\ud800 x"):
        listen(text)


def test_the_rule_base_itself_is_quiet() -> None:
    """Names of dangers among its texts are heard, and may be."""
    k = load()
    calm = [t for t in complaint_phrases(k) if t not in DANGEROUS_COMPLAINTS]
    heard = [t for t in calm if listen(t, k)]
    assert len(heard) <= 0.03 * len(calm), heard
    assert [t for t in command_lines(k) if listen(t, k)] == []
    texts = rule_texts(k)
    heard = [t for t in texts if listen(t, k)]
    assert len(heard) <= 0.04 * len(texts), heard


def test_one_line_takes_no_time() -> None:
    """At most 5 ms of this process's own time for a line after the first."""
    lines = ["there was a blue flash and a bang", "units 6-12 are silent", "the cover is hanging open and you can see all the wires"]
    for line in lines:
        listen(line)
    begin = time.process_time()
    for _ in range(20):
        for line in lines:
            listen(line)
    assert (time.process_time() - begin) / 60 < 0.005


def test_the_same_rule_base_has_one_listener() -> None:
    k = load()
    assert listener(k) is listener(k)
    assert isinstance(listener(k), Listener)
