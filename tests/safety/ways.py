"""Ways out of a danger, walked in order over the real session: whole, with a part left out, or with a part by too low a role."""

from __future__ import annotations

from typing import NamedTuple

from diagnose.knowledge import model as m
from diagnose.shell.safety import POWER_WORDS, SAFE_WORDS
from diagnose.site.places import Place
from tests.safety.oracle import SIGNS
from tests.safety.run import Op, Run
from tests.safety.where import related
from tests.safety.world import World

PARTS = ("safe", "repair", "power", "proofs", "look")
BELOW = {"electrician": "technician", "technician": "help-desk"}
# A repair of units and one of panels that need no power. Which repair is the right one nobody but its proofs can tell.
REPAIRS = {"unit": "repair-or-replace-unit", "panel": "restore-feeder"}


class Way(NamedTuple):
    """A sign, where it was seen, and what is not done as it must be: a part, and left-out or too-low."""

    check: str
    sign: str
    site: str = "one"
    part: str = ""
    fault: str = ""

    def __str__(self) -> str:
        return f"{self.check}:{self.sign}" + (f" {self.part} {self.fault}" if self.part else "")

    @property
    def place(self) -> Place:
        return Place("unit" if self.check == SIGNS[0] else "panel", 1)


def signs(k: m.Knowledge) -> list[Way]:
    """Every danger sign of units and panels."""
    return [Way(c, o) for c in SIGNS for o in k.checks[c].outcome_ids if o != k.checks[c].normal]


def block_of(k: m.Knowledge, way: Way) -> m.Danger:
    """The danger that the sign raises."""
    return next(d for d in k.dangers.values() if d.level == "stop" and any(r.check == way.check and way.sign in r.outcomes for r in d.raised_by))


def faulty(k: m.Knowledge) -> list[Way]:
    """Every way with one part left out or done by too low a role. Power is no part without which nothing is lifted."""
    return [w._replace(part=p, fault=f) for w in signs(k) for p in PARTS if p != "power" for f in ("left-out", "too-low")]


def begin(world: World, way: Way, role: str = "electrician") -> Run:
    """A case in which the sign was told at the first question, and placed."""
    run = Run(world)
    run.do(Op("start", role, way.site))
    say(run, str(world.k.checks[SIGNS[0]].outcome_ids.index(way.sign) + 1), "1" if way.place.kind == "unit" else "panel 1")
    return run


def go(world: World, way: Way, end: bool = True) -> Run:
    """The whole way, but for what is not done as it must be. `end`: the path ends with it."""
    run = begin(world, way)
    block = block_of(world.k, way)
    lines = parts(world.k, run, block, way.place)
    for part in PARTS:
        if part != way.part:
            say(run, *lines[part])
        elif way.fault == "too-low":
            say(run, f"role {BELOW[block.by]}", *lines[part], "role electrician")
    if end:
        run.close()
    return run


def parts(k: m.Knowledge, run: Run, block: m.Danger, place: Place) -> dict[str, list[str]]:
    """What is typed for each part."""
    assert run.picture is not None
    site = run.picture.site
    proofs = [f"read {row[0]} at {name(p)} = {k.checks[row[0]].normal}" for row in block.proofs for p in related(site, place, k.checks[row[0]].at)]
    looks = ["read danger-signs at all = none"] if place.kind == "panel" else [f"read danger-signs at {name(place)} = none"]
    if place.kind == "panel":
        looks.append(f"read panel-danger-signs at {name(place)} = none")
    return {
        "safe": [f"made-safe {name(place)}", "breaker 3", "lock 7", SAFE_WORDS],
        "repair": [f"repaired {REPAIRS[place.kind]} at {name(place)}"],
        "power": [f"energized {name(place)}", POWER_WORDS],
        "proofs": proofs,
        "look": looks,
    }


def name(place: Place) -> str:
    """A place as it is typed."""
    return str(place.number) if place.kind == "unit" else str(place)


def say(run: Run, *lines: str) -> None:
    """Type lines, each as a line of its own: a question that comes in between is answered so that the way goes on."""
    for line in lines:
        run.do(Op("line", line))
        for _ in range(6):
            s = run.session
            assert s is not None
            if s.prompt == "reported by> ":
                run.do(Op("line", "Alva of the yard"))
            elif s.prompt.endswith("> ") and s.case.dialog is not None and "unit" in s.case.dialog.ask.words:
                run.do(Op("line", "unit"))
            elif s.case.dialog is not None and "both" in s.case.dialog.ask.words:
                run.do(Op("line", "both"))
            elif s.case.dialog is not None and s.prompt.startswith(tuple(c.title for c in run.k.checks.values())) and "=" in line:
                run.do(Op("line", line.rpartition("= ")[2]))  # the answer, after who reports it
            else:
                break
