"""What a session works with, each made when it is first needed: rule base, assessor, store."""

from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import nearest, shown
from diagnose.words import listener
from diagnose.words.finder import Finder

if TYPE_CHECKING:
    from diagnose.casework.assess import Assessor
    from diagnose.casework.store import Store
    from diagnose.words.hearing import Heard

class Options(NamedTuple):
    """What the command line said of the case to be worked on."""

    role: str = ""
    record: str = ""
    case: str = ""
    instruments: tuple[str, ...] = ()


def instruments_in(text: str) -> tuple[str, ...]:
    """Instruments by name, separated by commas. Raises Refusal."""
    names = ["-".join(part.lower().split()) for part in text.split(",") if part.strip()]
    if names == ["all"]:
        return m.INSTRUMENTS
    known = ", ".join(m.INSTRUMENTS)
    for name in names:
        if name not in m.INSTRUMENTS:
            raise Refusal(
                f"there is no instrument {shown(name)}; {nearest(name, m.INSTRUMENTS) or f'known: {known}'}"
            )
    return tuple(dict.fromkeys(names)) or ("none",)


class Desk:
    """Rule base, assessor and store of one run of the program."""

    def __init__(self, store: str | None = None, rules: str | None = None) -> None:
        self._store_path = store
        self._rules = Path(rules) if rules else None
        self._knowledge: m.Knowledge | None = None
        self._assessor: Assessor | None = None
        self._store: Store | None = None
        self._finders: dict[str, Finder[tuple[str, str]]] = {}
        self._warming: threading.Thread | None = None

    @property
    def knowledge(self) -> m.Knowledge:
        if self._knowledge is None:
            self._knowledge = load(self._rules)
        return self._knowledge

    @property
    def assessor(self) -> Assessor:
        if self._warming is not None:
            self._warming.join()
            self._warming = None
        if self._assessor is None:
            self._assessor = self._made()
        return self._assessor

    def _made(self) -> Assessor:
        from diagnose.casework.assess import Assessor

        return Assessor(self.knowledge, emergency=os.environ.get("DIAGNOSE_EMERGENCY", ""))

    def warm(self) -> None:
        """Import the numerical part and compile the rules while the person reads. Nothing else touches the
        assessor before `assessor` has waited for it, and the rule engine itself is first used there.
        """
        if self._assessor is None and self._warming is None:
            self._warming = threading.Thread(target=self._prepare, daemon=True)
            self._warming.start()

    def _prepare(self) -> None:
        try:
            self._assessor = self._made()
        except Exception:  # the same error comes again, and is told, where the assessor is asked for
            self._assessor = None

    def forget_assessor(self) -> None:
        """After an interrupted assessment: begin with a fresh one."""
        self._assessor = None

    @property
    def store(self) -> Store:
        if self._store is None:
            from diagnose.casework.store import Store

            self._store = Store.open(self._store_path)
        return self._store

    def close(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None

    def complaints(self) -> Finder[tuple[str, str]]:
        """Over everything that a caller may complain of, as (check, outcome)."""
        return self._finder(
            "complaints", [c for c in self.knowledge.checks.values() if c.complaint and c.id not in m.SIGNS]
        )

    def listen(self, text: str) -> Heard | None:
        """The danger that a line speaks of."""
        return listener(self.knowledge).listen(text)

    def outcomes(self) -> Finder[tuple[str, str]]:
        """Over every outcome of every check."""
        return self._finder("outcomes", list(self.knowledge.checks.values()), normal=True)

    def _finder(self, name: str, checks: list[m.Check], normal: bool = False) -> Finder[tuple[str, str]]:
        if name not in self._finders:
            self._finders[name] = Finder(
                ((c.id, o.id), text)
                for c in checks
                for o in (c.outcomes if normal else c.outcomes[1:])
                for text in (f"{c.title} {o.says}", o.says, *o.phrases)
            )
        return self._finders[name]

    def checks(self) -> Finder[tuple[str, str]]:
        """Over the checks themselves: title, id and question."""
        if "checks" not in self._finders:
            self._finders["checks"] = Finder(
                ((c.id, ""), text)
                for c in self.knowledge.checks.values()
                for text in (c.title, c.id.replace("-", " "), f"{c.title} {c.ask.replace('{place}', '')}")
            )
        return self._finders["checks"]
