"""The open case: adding to its log, and taking back and restoring what was added.

What one answer added belongs together (`with` names its first event) and is taken back as one. A
withdrawal says which of these it undoes, so that undo and redo still work after the case was resumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from diagnose.casework.events import Event, new_event_id
from diagnose.casework.store import Store

Row = tuple[str, dict[str, Any]]


class Undone(NamedTuple):
    """An answer that was taken back, by which withdrawals."""

    batch: str
    withdrawals: tuple[str, ...]


class Casebook:
    """One case of a store."""

    def __init__(self, store: Store, case: str) -> None:
        self.store = store
        self.case = case
        self.events: list[Event] = store.events(case)

    @property
    def title(self) -> str:
        return str(self.events[0].data.get("title", ""))

    def add(self, rows: Sequence[Row], by: str) -> list[Event]:
        """Add what one answer brings. Returns after the last commit; on an error the log is read anew."""
        first = ""
        added: list[Event] = []
        try:
            for kind, data in rows:
                name = new_event_id()
                body = {**data, "with": first} if first else data
                added.append(self.store.append(self.case, kind, body, by, name))
                first = first or name
        finally:
            self.events = self.store.events(self.case)
        return added

    def last(self) -> list[Event]:
        """What the last answer that stands has added."""
        done, _ = stacks(self.events)
        return [e for e in self.events if done and _batch(e) == done[-1]]

    def last_undone(self) -> list[str]:
        """The withdrawals that restoring the last answer would take back."""
        _, undone = stacks(self.events)
        return list(undone[-1].withdrawals) if undone else []

    def undo(self, by: str, reason: str = "") -> list[Event]:
        """Take the last answer back; the events that it had added, empty when there is none."""
        done, _ = stacks(self.events)
        if not done:
            return []
        batch = done[-1]
        ours = [e for e in self.events if _batch(e) == batch]
        self._withdraw([e.id for e in reversed(ours)], "undo", batch, by, reason)
        return ours

    def redo(self, by: str) -> list[Event]:
        """Restore what was last taken back; the events restored, empty when there is nothing."""
        _, undone = stacks(self.events)
        if not undone:
            return []
        last = undone[-1]
        self._withdraw(list(reversed(last.withdrawals)), "redo", last.batch, by)
        return [e for e in self.events if _batch(e) == last.batch]

    def _withdraw(self, names: Sequence[str], mark: str, batch: str, by: str, reason: str = "") -> None:
        why = {"reason": reason} if reason else {}
        try:
            for name in names:
                self.store.append(self.case, "withdrawn", {"event": name, mark: batch, **why}, by)
        finally:
            self.events = self.store.events(self.case)


def _batch(event: Event) -> str:
    if event.kind == "opened" or "undo" in event.data or "redo" in event.data or _is_mark(event):
        return ""
    return str(event.data.get("with") or event.id)


def _is_mark(event: Event) -> bool:
    """What is no answer that could be taken back: who is there, and what the program notes by itself about dangers."""
    return event.kind == "role" or (event.kind == "danger" and event.data.get("what") in ("raised", "lifted"))


def stacks(events: Sequence[Event]) -> tuple[list[str], list[Undone]]:
    """The answers that stand and those that were taken back, each by its first event, the last one last.

    What the opening added is not among them: a case is closed, not unopened.
    """
    done: list[str] = []
    undone: list[Undone] = []
    for event in events[1:]:
        if "undo" in event.data:
            batch = str(event.data["undo"])
            if batch in done:
                done.remove(batch)
                undone.append(Undone(batch, (event.id,)))
            elif undone and undone[-1].batch == batch:
                undone[-1] = Undone(batch, (*undone[-1].withdrawals, event.id))
        elif "redo" in event.data:
            batch = str(event.data["redo"])
            undone = [u for u in undone if u.batch != batch]
            if batch not in done:
                done.append(batch)
        elif not _is_mark(event):
            batch = _batch(event)
            if batch not in done:
                done.append(batch)
                undone.clear()
    return done, undone
