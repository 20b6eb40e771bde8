"""The random walker: what people type, in any order, at any prompt, sensible and not.

It looks at the screen as a person does (prompt, steps, what stops use) and never at the gate. About two thirds of its
moves make sense where they are made; the rest are anything. Proper ways out are walked with parts left out, in another
order, by other roles, so that every half of a way is seen as often as the whole.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from random import Random

from diagnose.casework.view import StopUse
from diagnose.knowledge import model as m
from diagnose.shell.safety import MINE_WORDS, POWER_WORDS, SAFE_WORDS
from diagnose.site.places import SITE, Place
from tests.safety.run import Op, Run
from tests.safety.world import SPOKEN, World

LINES, CALM_LINES = (8, 18), (14, 27)  # of a path
ROLES = m.ROLES
NAMES = (*("one",) * 15, *("two",) * 5, *("two panels",) * 4, "three", "none", "none", "four", "six", "mill-2", "quay-4")
NONSENSE = ("", "asdf", "12", "yes please", "unit 99", "?", "cancel", "back", "0", "-", "n", "y", "read", "check", "done", "help")
FEW = ("one", "one", "two", "two panels")  # for a short run: a site costs more than a path
COMPLAINTS = ("charging stops after a while at unit 1", "unit 1 is silent", "no power at unit 2", "the breaker trips", "cards are refused")
LOOKING = ("why", "suspects", "findings", "log", "handover", "steps", "other", "facts", "?", "help", "instruments all", "on-site yes", "on-site no")


class Walker:
    """Chooses what is typed next."""

    def __init__(self, world: World, seed: object, sites: Sequence[str] = NAMES) -> None:
        self.k = world.k
        self.sites = sites
        self.rng = Random(str(seed))
        self.queue: list[str] = []
        self.noise = self.rng.choice((0.0, 0.0, 0.02, 0.1))  # share of lines that have nothing to do with what is asked
        self.calm = self.rng.random() < 0.6  # whether most of the time a danger is seen to before another one is told
        self.stops = [d for d in world.k.dangers.values() if d.level == "stop"]
        self.checks = list(world.k.checks.values())
        self.using = [c for c in self.checks if c.needs != "none"]
        self.remedies: dict[str, list[str]] = {}
        for fault in world.k.faults.values():
            self.remedies.setdefault(fault.at, []).append(fault.remedy)
        self.prompts = {
            "danger signs (n: none)> ": lambda: self._one("n", "n", "n", str(self.rng.randint(1, 16)), "?", "do not know", "can't", self._spoken()),
            "what is wrong> ": lambda: self._one(*COMPLAINTS),
            "record (Enter: none)> ": lambda: "",
            "units> ": lambda: self._one("1", "2", "3", ""),
            "others> ": lambda: self._one("y", "n", "?"),
            "where> ": lambda: self._one("1", "2", "1-2", "all", "?", "panel", "panel 1", "", "1"),
            "isolated at> ": lambda: self._well("breaker 3", "main", ""),
            "lock> ": lambda: "lock 7",
            "made safe> ": lambda: self._well(SAFE_WORDS, "yes", "it is safe"),
            "energized> ": lambda: self._well(POWER_WORDS, "yes"),
            "vouch> ": lambda: self._well(MINE_WORDS, "yes"),
            "reported by> ": lambda: self._one("", "the electrician", "Alva of the yard", "technician"),
            "name> ": lambda: "Alva",
            "words> ": lambda: "it is off and locked",
            "reason> ": lambda: self._one("it was misread from afar", "a slip", "", "wrong unit"),
        }

    # ---- a path

    def walk(self, run: Run) -> None:
        """One path from its start to its last line."""
        rng = self.rng
        run.do(Op("start", self._one("", *ROLES, "electrician", "technician"), self._one(*self.sites)))
        for _ in range(rng.randint(*(CALM_LINES if self.calm else LINES))):
            s = run.session
            assert s is not None
            if s.case.finished:
                run.do(Op("drop", self._one("", "", *ROLES)))
                if run.session is s:  # nothing had been recorded
                    return
            asking = s.case.dialog is not None or s.prompt == "danger (y/n)> "
            if not asking and s.case.book is not None and rng.random() < (0.08 if not self.queue else 0.01):
                what = self._one("leave", "drop", "drop", "move", "kill")
                run.do(Op(what, self._spoken() if what == "kill" else self._one("", "", "", *ROLES)))
                continue
            run.do(Op("line", self._next(run, asking)))

    def _next(self, run: Run, asking: bool) -> str:
        roll = self.rng.random()
        if roll < self.noise:
            return self._one(*NONSENSE) if roll < 0.6 * self.noise else self._spoken()
        s = run.session
        assert s is not None
        if s.prompt == "danger (y/n)> ":
            return self._alarm()
        if asking:
            return self._reply(s.prompt, s.case.dialog.ask.words if s.case.dialog else ())
        return self.queue.pop(0) if self.queue else self._move(run)

    def _reply(self, prompt: str, words: tuple[str, ...]) -> str:
        """An answer to a question that is open."""
        if asked := self.prompts.get(prompt):
            return asked()
        if "unit" in words and self.rng.random() < 0.8:  # where a repair was done
            return "unit"
        if words and self.rng.random() < (0.6 if self.calm else 0.2):  # the normal outcome stands first
            return words[0]
        return self._one(*words) if words and self.rng.random() < 0.7 else str(self.rng.randint(1, 5))

    def _well(self, right: str, *wrong: str) -> str:
        """What is right, mostly; less often by those who are in a hurry."""
        return right if self.rng.random() < (0.95 if self.calm else 0.6) else self._one(*wrong)

    def _alarm(self) -> str:
        if self.calm and self.rng.random() < 0.8:
            return self._one("y", "y", "n")
        return self._one("y", "y", "y", "n", "n", "?", self._spoken(), "made-safe", "check ground-path", "quit")

    # ---- moves

    def _move(self, run: Run) -> str:
        seen = run.shown.seen
        rng = self.rng
        if seen is not None and seen.stop_use and rng.random() < (0.85 if self.calm else 0.4):
            return self._about(rng.choice(seen.stop_use), seen.role)
        if run.shown.steps and rng.random() < 0.35:
            return self._answer(run)
        return self._one(
            lambda: f"role {self._one(*ROLES)}", lambda: f"role {self._one(*ROLES)}", self._spoken, lambda: f"note {self._spoken()}",
            lambda: f"danger {self._spoken()}", lambda: f"seen today\n{self._spoken()}\nnothing else",
            lambda: "danger", lambda: "undo", lambda: "undo", lambda: "redo", lambda: "close",
            lambda: f"complaint {self._one(*COMPLAINTS)}", lambda: "note the gland was loose",
            lambda: self._one(*LOOKING), lambda: self._one(*LOOKING),
            self._any_reading, self._any_reading, self._raising, self._raising, self._using, self._any_check, self._any_repair,
            lambda: self._one("made-safe", "energized", "vouch", "reported-safe", "made-safe 1", "made-safe panel 1"),
            lambda: f"what-if {self._check(self.checks)} at 1 = {self._outcome(rng.choice(self.checks))}", lambda: "quit",
        )()  # fmt: skip

    def _answer(self, run: Run) -> str:
        s = run.session
        assert s is not None
        step = s.case.step
        if step is None or step.kind == "remedy":
            return "done"
        check = self.k.checks[step.id]
        return self._one(check.normal, check.normal, *check.outcome_ids, "can't", "do not know", "1", "other")

    def _about(self, stop: StopUse, role: str) -> str:
        """Part of the way out of a danger, or all of it; one line now, the others wait."""
        rng = self.rng
        ways = {
            "standing": [self._safe, self._repair, self._power, self._proofs, self._looks],
            "made-safe": [self._repair, self._power, self._proofs, self._looks],
            "repaired": [self._power, self._proofs, self._looks],
        }
        parts = [part(stop) for part in ways.get(stop.status, [self._proofs, self._looks])]
        if rng.random() < 0.15:
            parts = [rng.choice(parts)]
        elif rng.random() < (0.5 if self.calm else 0.7):
            self._spoil(stop, parts)
        lines = [line for part in parts for line in part]
        if rng.random() < (0.9 if self.calm else 0.6):
            lines.insert(0, f"role {self._one(stop.by, stop.by, 'electrician')}")
        if rng.random() < (0.1 if self.calm else 0.3):
            lines.append(self._one("vouch", "vouch", "redo", "undo", "close"))
        self.queue = lines[1:]
        return lines[0]

    def _spoil(self, stop: StopUse, parts: list[list[str]]) -> None:
        """One thing of a way out is not as it must be."""
        rng = self.rng
        at = rng.randrange(len(parts))
        what = self._one("left-out", "too-low", "too-low", "elsewhere", "swapped", "bad", "another")
        if what == "left-out":
            parts.pop(at)
        elif what == "too-low":
            low = rng.choice(ROLES[: ROLES.index(stop.by)])
            parts[at] = [f"role {low}", *parts[at], f"role {self._one(stop.by, 'electrician', low)}"]
        elif what == "elsewhere":
            parts[:] = [[line.replace(" at 1", " at 2") if line.startswith("repaired") else line for line in part] for part in parts]
        elif what == "swapped" and len(parts) > 1:
            other = (at + 1) % len(parts)
            parts[at], parts[other] = parts[other], parts[at]
        elif what == "bad":
            check = self.k.checks[rng.choice(rng.choice(stop.proofs).checks)]
            parts.insert(len(parts) - 1, [f"read {check.id} at {_name(stop.places[0])} = {self._one(*check.outcome_ids)}"])
        elif what == "another":
            parts.insert(at, ["danger the cover of unit 2 hangs off"])

    def _safe(self, stop: StopUse) -> list[str]:
        place = self._one("", "", *(f" {_name(p)}" for p in stop.places))
        return [f"made-safe{place}"]

    def _repair(self, stop: StopUse) -> list[str]:
        place = self.rng.choice(stop.places)
        if self.rng.random() < 0.1 or place == SITE:
            place = Place("unit", 1)
        names = [n for n in self.remedies.get(place.kind, ()) if n in self.k.remedies] or list(self.k.remedies)
        quiet = [n for n in names if self.k.remedies[n].needs == "none"]
        name = self.rng.choice(quiet if quiet and self.rng.random() < 0.85 else names)
        return [f"repaired {name} at {_name(place)}"]

    def _power(self, stop: StopUse) -> list[str]:
        return ["energized"]

    def _proofs(self, stop: StopUse) -> list[str]:
        lines = []
        for proof in stop.proofs:
            for check in proof.checks[:1] if self.rng.random() < 0.7 else proof.checks:
                said = self.k.checks[check].normal if self.rng.random() < (0.98 if self.calm else 0.9) else self._outcome(self.k.checks[check])
                lines += [f"read {check} at {_name(p)} = {said}" for p in proof.places]
        if lines and self.rng.random() < (0.05 if self.calm else 0.2):
            lines.pop(self.rng.randrange(len(lines)))
        return lines

    def _looks(self, stop: StopUse) -> list[str]:
        lines = []
        for place in stop.places:
            if place.kind in ("panel", "site"):
                lines.append("read panel-danger-signs at all = none")
            lines.append(f"read danger-signs at {_name(place) if place.kind == 'unit' else 'all'} = none")
        return list(dict.fromkeys(lines))

    # ---- lines

    def _spoken(self) -> str:
        return self._one(*SPOKEN)

    def _any_reading(self) -> str:
        check = self.rng.choice(self.checks)
        return f"read {check.id}{self._at(check)} = {self._outcome(check)}"

    def _raising(self) -> str:
        """A reading that raises a danger."""
        row = self.rng.choice(self.rng.choice(self.stops).raised_by)
        check = self.k.checks[row.check]
        return f"read {check.id}{self._at(check)} = {self.rng.choice(row.outcomes)}"

    def _using(self) -> str:
        check = self.rng.choice(self.using)
        return f"read {check.id}{self._at(check)} = {self._outcome(check)}"

    def _any_check(self) -> str:
        return f"check {self._check(self.using if self.rng.random() < 0.5 else self.checks)}"

    def _any_repair(self) -> str:
        return f"repaired {self._one(*self.k.remedies)} at {self._one('1', '2', 'panel 1', 'trunk 1')}"

    def _check(self, checks: list[m.Check]) -> str:
        return self.rng.choice(checks).id

    def _at(self, check: m.Check) -> str:
        if check.at in ("unit", "panel"):
            return self._one(" at 1", " at 1", " at 2", " at all", "")
        return self._one("", " at all")

    def _outcome(self, check: m.Check) -> str:
        return check.normal if self.rng.random() < 0.4 else self._one(*check.outcome_ids, "do not know")

    def _one(self, *options: object):  # type: ignore[no-untyped-def]
        return self.rng.choice(options)


def _name(place: Place) -> str:
    return str(place.number) if place.kind in ("unit", "uplink", "control") else str(place) if place != SITE else "all"


def walk(world: World, seed: object, tally: Counter[str], sites: Sequence[str] = NAMES) -> Run:
    """One path by its seed."""
    run = Run(world, tally)
    try:
        Walker(world, seed, sites).walk(run)
    finally:
        run.close()
    tally["paths"] += 1
    return run
