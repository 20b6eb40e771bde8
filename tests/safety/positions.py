"""A sentence typed at each place where a line is taken: the first question, the complaint, an answer, a note."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from diagnose.shell import alarm
from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.shell.sites import HARBOUR
from tests.words.sentences_read import Sentence

POSITIONS = {
    "first question": ((), ""),
    "complaint": (("n",), ""),
    "answer": (("n", "half the chain is silent", "none", "nothing of this"), ""),
    "note": (("n", "half the chain is silent", "none", "nothing of this"), "note "),
}


class Heard(NamedTuple):
    """What a sentence led to: `asked` about or stopped at once; `stopped` without any question."""

    asked: bool
    stopped: bool


def typed_at(desk: Desk, position: str, text: str) -> Heard:
    """A case of its own is begun for each sentence, by a technician, who is heard as everybody is."""
    before, verb = POSITIONS[position]
    session = Router(desk, Options("technician", HARBOUR, ""), 100)
    session.start()
    for line in before:
        session.handle(line)
    shown = " ".join(line.text for line in session.handle(verb + text))
    stopped = "STOP USE" in shown
    return Heard(stopped or alarm.current(session.case) is not None, stopped)


def shares(desk: Desk, position: str, sentences: Iterable[Sentence]) -> tuple[float, float, int]:
    """(share of danger asked about or stopped, share of harmless ones asked about, stopped without asking)."""
    noticed: dict[bool, list[bool]] = {True: [], False: []}
    stopped = 0
    for s in sentences:
        heard = typed_at(desk, position, s.text)
        noticed[s.danger].append(heard.asked)
        stopped += heard.stopped
    return sum(noticed[True]) / len(noticed[True]), sum(noticed[False]) / len(noticed[False]), stopped
