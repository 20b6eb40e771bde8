"""What a whole log of one case has to be like, for logs that tests make."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.casework.events import Event, check_event, check_next


def check_log(events: Sequence[Event]) -> list[str]:
    """What is wrong with events as one case: order, gaps, repeats, and withdrawals of what is not there."""
    problems = []
    kinds: dict[str, str] = {}
    for position, event in enumerate(events, start=1):
        here = f"event {position}"
        problems += [f"{here}: {problem}" for problem in check_event(event)]
        if event.seq != position:
            problems.append(f"{here}: seq is {event.seq}, expected {position}")
        if event.case != events[0].case:
            problems.append(
                f"{here}: belongs to case {event.case!r}, expected {events[0].case!r}"
            )
        if event.id in kinds:
            problems.append(f"{here}: repeats the id {event.id!r}, expected a new one")
        flaw = check_next(event, kinds)
        if flaw:
            problems.append(f"{here}: {flaw}")
        kinds[event.id] = event.kind
    return problems
