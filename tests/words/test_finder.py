"""Endings, and whether a text denies something."""

import pytest

from diagnose.words.finder import is_negated, tokens
from diagnose.words.stems import stem


def test_stems() -> None:
    assert stem("tripping") == stem("trips") == stem("tripped") == "trip"
    assert stem("charging") == stem("charges") == stem("charged")


@pytest.mark.parametrize(
    "text", ["won't start", "wont start", "not silent", "no smoke", "cannot charge", "doesn’t answer"]
)
def test_denials(text: str) -> None:
    assert is_negated(text)


@pytest.mark.parametrize("text", ["silent", "it smells burnt", "intermittent", "present", "vent"])
def test_words_in_nt_are_no_denials(text: str) -> None:
    assert not is_negated(text)
    assert "not" not in tokens(text)
