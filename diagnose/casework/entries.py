"""Which entries of a log stand, and in which role each was made. Pure.

A log is never shortened: taking back is an entry of its own, and here it is decided whether it counts.

- An entry is taken back, or restored, only by a role at or above the one that made it.
- What raised a danger is taken back only by a technician or above, and with a reason.

The role that made an entry is the one that was in force when it was added. Taking a role back later changes
nothing about what was said in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from diagnose.casework.events import Event
from diagnose.knowledge import model as m

LEAST = m.ROLES[0]
UNDOES_DANGER = "technician"  # least role that takes back what raised a danger


class Entry(NamedTuple):
    """An event that stands. `n` is its position in the whole log, from 1; `role` the one it was made in."""

    event: Event
    n: int
    role: str


class Log:
    """The entries of a case, added one by one in their order.

    `raises` says whether an event raised a danger.
    """

    def __init__(self, raises: Callable[[Event], bool]) -> None:
        self._raises = raises
        self._entries: dict[str, Entry] = {}
        self._taken_back_by: dict[str, list[str]] = {}
        self._roles: list[str] = []

    def add(self, event: Event) -> None:
        """The next event of the log. A withdrawal that may not be made is kept out."""
        role = self.role
        if event.kind == "withdrawn":
            target = str(event.data.get("event"))
            if self.refusal(target, role, str(event.data.get("reason", ""))):
                return
            self._taken_back_by.setdefault(target, []).append(event.id)
        self._entries[event.id] = Entry(event, len(self._entries) + 1, role)
        if event.kind in ("opened", "role"):
            self._roles.append(event.id)
            if event.kind == "opened":
                self._entries[event.id] = Entry(event, 1, self.role)

    @property
    def role(self) -> str:
        """The role in force after what was added; a word that is no role has the least rights."""
        for name in reversed(self._roles):
            said = self._entries[name].event.data.get("role")
            if said is not None and self.stands(name):
                return str(said) if said in m.ROLES else LEAST
        return "technician" if self._roles else LEAST  # a case of old that names no role was a technician's

    def stands(self, name: str) -> bool:
        """Whether an event is there and not taken back."""
        return name in self._entries and not any(self.stands(w) for w in self._taken_back_by.get(name, ()))

    def refusal(self, target: str, role: str, reason: str = "") -> str:
        """Why `role` may not take back `target` (a withdrawal, for restoring), in a few words; empty when it may."""
        restores = False
        entry = self._entries.get(target)
        while entry is not None and entry.event.kind == "withdrawn":
            restores = not restores
            entry = self._entries.get(str(entry.event.data.get("event")))
        if entry is None:
            return "there is no such entry"
        made_by = LEAST if entry.event.kind == "role" else entry.role
        if not m.may(role, made_by):
            return f"it was entered by a role above yours ({made_by})"
        if not restores and self._raises(entry.event):
            if not m.may(role, UNDOES_DANGER):
                return "it told of a danger; only a technician or above takes that back"
            if len(reason.split()) < 2:
                return "it told of a danger; say in a few words why it is taken back"
        return ""

    def standing(self) -> tuple[Entry, ...]:
        """What stands, in order, withdrawals left out."""
        return tuple(
            e for name, e in self._entries.items() if e.event.kind != "withdrawn" and self.stands(name)
        )


def read_log(events: Iterable[Event], raises: Callable[[Event], bool]) -> Log:
    """The log of a case from its events."""
    log = Log(raises)
    for event in events:
        log.add(event)
    return log
