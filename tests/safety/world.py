"""What walks share: one rule base and assessor, small sites, an ear for a few sentences, stores in memory-backed files."""

from __future__ import annotations

import itertools
import os
import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.events import Event
from diagnose.casework.state import State
from diagnose.casework.view import Assessment
from diagnose.knowledge import model as m
from diagnose.shell.desk import Desk
from diagnose.words.hearing import Heard

SITES = Path(__file__).resolve().parents[1] / "sites"
HEAD = "install-record: 1\nname: a site of the walk\n"
LINKS = "uplinks: [{unit: 1, kind: ethernet}]\ncontrols: [{unit: 1, units: %s, kind: dry-contact}]\n"
RECORDS = {
    "one": HEAD + "units: {count: 1}\n" + LINKS % "1",
    "two": HEAD + "units: {count: 2}\ntrunks: [{controller: 1, kind: rs485}]\n" + LINKS % "1-2",
    "two panels": HEAD + "panels: [{breaker: 100 A}, {breaker: 100 A}]\nunits: {count: 3, except: {'3': {panel: 2}}}\n" + LINKS % "1-3",
    "three": HEAD + "units: {count: 3}\ntrunks: [{controller: 1, kind: rs485}]\n" + LINKS % "2-3",
    "four": HEAD + "panels: [{breaker: 100 A}, {breaker: 100 A}]\nunits: {count: 4, except: {'2': {panel: 2}, '4': {panel: 2}}}\n"
    "trunks: [{units: 1-3, controller: 2, kind: rs485}]\n" + LINKS % "1-4",
    "six": HEAD + "panels: [{breaker: 100 A}, {breaker: 100 A}]\nunits: {count: 6, except: {'5': {panel: 2}, '6': {panel: 2}}}\n"
    "trunks: [{controller: 1, kind: rs485}]\n" + LINKS % "1-6",
}
SHIPPED = ("mill-2", "quay-4", "meadow-4", "quay-6")

# Sentences, and what is heard in them. What else tells danger is tested with the words; here the walk has to know what it said.
SPOKEN: dict[str, tuple[str, ...]] = {
    "there is smoke coming out of unit 1": ("burning-smell",),
    "I got a shock from the post": ("shock",),
    "sparks fly from unit 2": ("bang-or-flash",),
    "water runs out of the bottom of unit 1": ("water-inside",),
    "the handle is melted": ("hot-or-buzzing",),
    "a van has knocked over post 1": ("hit-by-vehicle",),
    "the cover of unit 2 hangs off": ("open-cover",),
    "somebody has cut the cable of unit 1": ("damaged-cable",),
    "a man lies beside unit 1": ("hurt",),
    "flames come out of the panel": ("fire",),
    "some lamps are very bright and the panel hums": ("neutral-lost",),
    "it looks dangerous to me": (),
}


def ear(text: str) -> Heard | None:
    """The danger in a line, if it is one of the sentences."""
    low = text.lower()
    for said, signs in SPOKEN.items():
        if said.lower() in low:
            return Heard(signs, not signs, (said,), "panel" in low)
    return None


class Remembering(Assessor):
    """The assessor, which tells the same log twice without working twice. `forget` before anything else changes."""

    def __init__(self, k: m.Knowledge) -> None:
        super().__init__(k, plain)
        self._work, self._sites = _Kept(), _Kept()  # the walk comes back to few sites, so none is dropped
        self.forget()

    def forget(self) -> None:
        self._states: dict[tuple[str, int, str], State] = {}
        self._told: dict[int, tuple[State, Assessment]] = {}

    def state(self, events: Iterable[Event]) -> State:
        log = tuple(events)
        key = (log[0].case, len(log), log[-1].id)
        if log[-1].id == "what-if":
            return super().state(log)
        if key not in self._states:
            self._states[key] = super().state(log)
        return self._states[key]

    def assess_state(self, state: State) -> Assessment:
        kept = self._told.get(id(state))
        if kept is None or kept[0] is not state:
            kept = self._told[id(state)] = (state, super().assess_state(state))
        return kept[1]


class _Kept(dict):  # type: ignore[type-arg]
    def clear(self) -> None:
        pass


class World:
    """Rule base, assessor and a folder of its own; `desk()` is over a store of its own."""

    def __init__(self, k: m.Knowledge) -> None:
        self.k = k
        self.assessor = Remembering(k)
        memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
        self.folder = Path(tempfile.mkdtemp(prefix="danger-walk-", dir=memory))
        os.environ["DIAGNOSE_STATE"] = str(self.folder / "state")
        self.records = {"none": ""}
        for name, text in RECORDS.items():
            path = self.folder / f"{name.replace(' ', '-')}.yaml"
            path.write_text(text)
            self.records[name] = str(path)
        self.records |= {name: str(SITES / f"{name}.yaml") for name in SHIPPED}
        self._counter = itertools.count()

    def desk(self) -> Desk:
        desk = Desk(str(self.folder / f"store-{next(self._counter)}.db"))
        desk._knowledge, desk._assessor = self.k, self.assessor
        desk._finders = _FINDERS
        desk.listen = ear  # type: ignore[method-assign]
        return desk

    def file(self) -> Path:
        """A name for an exported case."""
        return self.folder / f"case-{next(self._counter)}.jsonl"

    def tidy(self) -> None:
        """Drop stores and exports of a path."""
        for path in (*self.folder.glob("store-*"), *self.folder.glob("case-*")):
            path.unlink(missing_ok=True)

    def close(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)


_FINDERS: dict = {}  # type: ignore[type-arg]
