"""What a modem's replies mean together; what each means is in `diagnose.physics.cellular`. Pure."""

from __future__ import annotations

from typing import NamedTuple

from diagnose.evidence.network.modem.read import Transcript
from diagnose.physics import cellular

FEWEST_COMMANDS = 2
"""Commands without any reply from which a modem counts as silent (common practice, no source)."""


class ModemFindings(NamedTuple):
    """All replies as one, and what they mean: a word, and a sentence."""

    replies: cellular.Replies
    word: str
    says: str


def find(s: Transcript) -> ModemFindings:
    """What the replies mean together."""
    replies = _together(s)
    if silent(s):
        return ModemFindings(replies, "silent", "commands were sent and nothing came back: port, power or modem")
    return ModemFindings(replies, *cellular.verdict(replies))


def silent(s: Transcript) -> bool:
    """Whether commands were sent and nothing came back."""
    return s.command_count >= FEWEST_COMMANDS and not s.replies and not s.results


def _together(s: Transcript) -> cellular.Replies:
    state, address, name = s.state(), s.address(), s.name()
    error = s.sim_error or s.error
    return cellular.Replies(
        s.sim.value if s.sim else None, state.value if state else None,
        s.csq[-1].value if s.csq else None, s.rsrp[-1].value if s.rsrp else None, s.rsrq.value if s.rsrq else None,
        address.value if address else None, name.value if name else None, error.value if error else None,
    )  # fmt: skip


def first_bound(bounds: tuple[float | None, float | None] | None) -> float | None:
    return next((b for b in bounds or () if b is not None), None)
