"""The sentences kept apart, typed where lines are taken: what the listener hears alone is heard there, too."""

from __future__ import annotations

import pytest

from diagnose.shell.desk import Desk
from tests.safety.positions import POSITIONS, shares
from tests.words.sentences_read import read

FEW = 40  # sentences a position; all of them by `python -m tests.bench.heard`


@pytest.mark.parametrize("position", POSITIONS)
def test_heard_at_each_position(position: str, desk: Desk) -> None:
    every = [*read("danger-apart-2.tsv"), *read("danger-apart-3.tsv")]
    first = list(POSITIONS).index(position)
    some = every[first :: len(every) // FEW]
    noticed, false, stopped = shares(desk, position, some)
    assert noticed >= 0.9
    assert false <= 0.2
    assert stopped == 0
