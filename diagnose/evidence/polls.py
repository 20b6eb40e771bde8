"""Polls of one unit, whoever counted them: how many failed, and the word for that.

A serial capture, a live probe and a network capture count in ways of their own and are judged here alike.
Thresholds are those of the gauges, or common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from diagnose.gauges.protocol import CLEAN_PERCENT

FEWEST_POLLS = 3
"""Polls below which nothing is said of a unit."""
POLLS_FOR_SHARE = 20
"""Polls below which no percentage is given."""
SEEN_OFTEN = 2
"""A thing seen once proves little."""
GARBLED = 0.9
"""Share of what comes back that is damaged; below it good replies come as well."""

ANSWERS, INTERMITTENTLY, DAMAGED, SILENT = "answers", "intermittently", "garbled", "silent"
"""The outcomes of the check `unit-answers`."""


EXCEPTION_OUTCOMES = {
    1: "illegal-request", 2: "illegal-request", 3: "illegal-request", 4: "device-failure", 5: "busy", 6: "busy",
    8: "device-failure", 10: "gateway-path", 11: "target-silent",
}  # fmt: skip
"""The outcome of `exception-codes` for each code (MODBUS Application Protocol V1.1b3, 7; the grouping is common practice)."""


GATEWAY_CODES = (0x0A, 0x0B)
"""Exceptions of a gateway that speaks in a unit's place."""


def usual_code(codes: Counter[int]) -> int:
    """The exception code that came most, the lowest of several. Errors: ValueError for none."""
    return max(codes, key=lambda c: (codes[c], -c))


def clean(failed: int, asked: int) -> bool:
    """Whether so few polls failed that the gauge of the poll error rate calls it clean."""
    return 100 * failed < CLEAN_PERCENT * max(1, asked)


def often(count: int, asked: int) -> bool:
    """Whether something befell a unit's polls more than once, and in no clean share of them."""
    return count >= SEEN_OFTEN and not clean(count, asked)


@dataclass
class PollCount:
    """Polls to one address: `good` were answered in time with a fitting reply or an exception."""

    asked: int = 0
    good: int = 0
    silent: int = 0
    damaged: int = 0
    late: int = 0
    exceptions: Counter[int] = field(default_factory=Counter)

    @property
    def failed(self) -> int:
        """Polls of which the poller got nothing it could use: no reply, a damaged, late or refusing one."""
        return min(self.asked, self.silent + self.damaged + self.late + self.exceptions.total())

    @property
    def share(self) -> float:
        """Share of polls that failed, 0 to 1."""
        return self.failed / max(1, self.asked)

    @property
    def answers(self) -> str:
        """The outcome of `unit-answers`."""
        if clean(self.failed, self.asked):
            return ANSWERS
        if self.damaged and self.damaged >= GARBLED * (self.asked - self.silent) and self.damaged >= self.silent:
            return DAMAGED
        return SILENT if self.silent == self.asked else INTERMITTENTLY
