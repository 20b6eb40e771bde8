"""What a capture holds of each address and of the trunk, counted."""

from __future__ import annotations

from dataclasses import dataclass, field

from diagnose.evidence.polls import PollCount

KEPT_SPOTS = 4


@dataclass
class _Spots:
    """Where things were seen: lines or bytes, by what was seen, the first few."""

    spots: dict[str, list[int]] = field(default_factory=dict)

    def spot(self, what: str, where: int) -> None:
        """Remember where a thing was seen, the first few times."""
        kept = self.spots.setdefault(what, [])
        if len(kept) < KEPT_SPOTS:
            kept.append(where)


@dataclass
class UnitPolls(_Spots, PollCount):
    """What one address did. Counts of polls, times in s."""

    displaced: int = 0  # answered in time, but the poller took another unit's late reply for it
    wrong_span: int = 0
    two_answers: int = 0
    perhaps_two: int = 0  # a write answered twice, which an echo does as well
    junk_before: int = 0
    first_lost: int = 0
    overlong: int = 0
    headed: int = 0  # damaged replies that begin as they should
    whole_unknown: int = 0
    marked: int = 0
    even: int = 0
    odd: int = 0
    unasked: int = 0
    twins: int = 0  # silent polls directly followed by the same request
    twins_answered: int = 0
    replies_timed: int = 0
    reply_s: float = 0.0
    worst_s: float = 0.0
    late_s: float = 0.0
    silent_run: int = 0
    longest_silent: int = 0
    @property
    def failed(self) -> int:
        """As of any poll count; stray bytes before the reply spoil it, too."""
        return min(self.asked, super().failed + self.junk_before)


@dataclass
class TrunkPolls(_Spots):
    """The whole capture. Times in s, lists cut to the first few thousand."""

    units: dict[int, UnitPolls] = field(default_factory=dict)
    frames: int = 0
    frame_bytes: int = 0
    requests: int = 0
    replies: int = 0
    broadcasts: int = 0
    echoes: int = 0
    foreign: int = 0
    damaged_requests: int = 0
    stray_bytes: int = 0
    behind: int = 0  # polls with bytes left over behind the reply
    gaps: int = 0
    swapped: bool = False  # the log is a unit's, its "received" are the requests
    marked: bool = False
    pauses: list[float] = field(default_factory=list)  # reply to next request
    short_pauses: int = 0
    judged_pauses: int = 0
    rounds: dict[int, list[float]] = field(default_factory=dict)
    asked_at: dict[int, float] = field(default_factory=dict)

    def unit(self, address: int) -> UnitPolls:
        """The tally of an address, made when new."""
        if address not in self.units:
            self.units[address] = UnitPolls()
        return self.units[address]
