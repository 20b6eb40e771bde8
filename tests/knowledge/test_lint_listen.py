"""The checker over words blocks."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.load import build
from tests.knowledge.small_base import BASE

WORDS = """\
- group: equipment
  words: [plug, handle]
  sources: [common-practice]
- group: panel
  words: [panel]
  sources: [common-practice]
- group: metal
  words: [case]
  sources: [common-practice]
- group: lookalikes
  words: [hat]
  sources: [common-practice]
- words: hot-or-buzzing
  title: Heat
  phrases: [hot <equipment>]
  together: [hot + <equipment>]
  harmless: [hot day]
  sources: [common-practice]
"""


def problems(tmp_path: Path, words: str) -> list[str]:
    (tmp_path / "base.yaml").write_text(BASE + words, encoding="utf-8")
    return [p.line() for p in build(tmp_path)[1]]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("hot <equipment>]", "hot <equipmnt>]", "there is no group 'equipmnt'"),
        ("hot + <equipment>", "hot <equipment>", "has one part"),
        ("hot + <equipment>", "hot + ", "has an empty part"),
        ("hot day", "hot <equipment>", "is both a phrase and harmless"),
        ("hot day", "Hot day", "has capital letters"),
        ("- words: hot", "- group: spare\n  words: [x]\n  sources: [common-practice]\n- words: hot", "group spare is named by no phrase"),
        ("- group: metal", "- group: mettle", "there is no group 'metal'"),
    ],
)
def test_what_is_wrong_with_words(tmp_path: Path, old: str, new: str, message: str) -> None:
    sound = problems(tmp_path, WORDS)
    found = problems(tmp_path, WORDS.replace(old, new, 1))
    assert [line for line in found if message in line and line not in sound], found


def test_sound_words_have_no_problem(tmp_path: Path) -> None:
    assert [line for line in problems(tmp_path, WORDS) if "words" in line or "group" in line] == []


def test_a_calm_group_needs_no_phrase(tmp_path: Path) -> None:
    calm = "- group: money\n  calm: yes\n  words: [bill]\n  sources: [common-practice]\n"
    assert [line for line in problems(tmp_path, WORDS + calm) if "money" in line] == []
