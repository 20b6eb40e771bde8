"""What people say: words, their endings and slips of the finger, clauses, denial, and danger in any line."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnose.knowledge.model import Knowledge
    from diagnose.words.hearing import Heard, Listener


def listener(k: Knowledge) -> Listener:
    """The listener for danger that a rule base makes; the same one when asked again for the same rule base."""
    from diagnose.words.hearing import listener as made

    return made(k)


def listen(text: str, k: Knowledge | None = None) -> Heard | None:
    """The danger that a line speaks of, or nothing. Without `k`, by the words that ship with the program."""
    from diagnose.words.hearing import listen as heard

    return heard(text, k)
