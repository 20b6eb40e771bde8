"""Resetting again and again, in the words of people who do it, and lines that only look like it."""

from __future__ import annotations

import pytest

from diagnose.words.resets import resets_again

AGAIN = [
    "I reset it three times", "we keep flipping it back on", "I've reset the breaker twice already", "reset it 3x and it tripped again",
    "the breaker trips and I put it back in every morning", "I flipped the breaker again", "keeps tripping, I keep resetting it",
    "he has been switching it back on all day", "pushed the button back in four times", "we turn it back on again and again",
    "can I reset it once more?", "I have to reset it every hour", "every time it trips I push it back up",
    "turned the breaker off and on a few times",
    "the guard resets it each time", "Reset the RCD over and over", "it trips, i switch it on again, it trips", "threw it back on several times",
    "re-closed it twice, opens again", "did not help, reset it 4 times",
    "we've reset the gfci like 5 times this week", "had to flip the breaker 5 times",
]  # fmt: skip
NOT_SO = [
    "I reset it once", "the router was reset three times", "it resets itself every night", "nobody reset it again", "I have not reset it again",
    "we did not flip it back on", "units 6-12 are silent", "the breaker trips again and again", "password reset twice", "it trips every time",
    "the driver comes back every morning", "it switched to red again", "plugged the car in twice", "put the cable back on the hook every time",
    "the screen turns on again every day", "do not reset it again", "press the screen 3 times",
    "we put a new cover back on twice", "reading again 208 V",
]  # fmt: skip


@pytest.mark.parametrize("said", AGAIN)
def test_heard(said: str) -> None:
    assert resets_again(said)


@pytest.mark.parametrize("said", NOT_SO)
def test_not_heard(said: str) -> None:
    assert not resets_again(said)
