"""Weaknesses planted on purpose: each takes one guard out of the program. The walk has to find every one of them.

`shortest` are lines that reach the guard: the same lines over the program as it is break no rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any, NamedTuple
from unittest.mock import patch

from diagnose.casework import assess, dangers, entries, gate
from diagnose.knowledge import model as m
from diagnose.shell import alarm, recording, taking
from diagnose.shell.open_case import OpenCase
from tests.safety.oracle import SIGNS
from tests.safety.run import Op, Run
from tests.safety.walk import Walker
from tests.safety.ways import Way, begin, block_of, go, name, parts, say
from tests.safety.world import World

Patches = list[tuple[Any, str, Any]]


class Planted(NamedTuple):
    """A weakness: what is patched, and the shortest way that meets it."""

    says: str
    patches: Callable[[], Patches]
    shortest: Callable[[World], Run]


@contextmanager
def planted(weakness: Planted) -> Iterator[None]:
    """The program without that guard."""
    with ExitStack() as stack:
        for owner, attribute, value in weakness.patches():
            stack.enter_context(patch.object(owner, attribute, value))
        yield


# ---- the guards that are taken out


def _everybody_may() -> Patches:
    return [(dangers._Log, "by", lambda self, entry: m.ROLES[-1])]


def _hearsay_counts() -> Patches:
    return [(dangers._Log, "by", lambda self, entry: entry.role)]


def _safe_from_the_start() -> Patches:
    def safe(self: Any, place: object, by: str) -> tuple[float, str]:
        told = (r.n for r in self.state.readings if r.outcome not in (None, self.k.checks[r.check].normal))
        return max(told, default=0) + 0.5, ""

    return [(dangers._Log, "safe", safe)]


def _repairs_anywhere() -> Patches:
    return [(dangers, "belongs", lambda site, place, danger: True)]


def _repairs_before() -> Patches:
    real = dangers._Log.repaired
    return [(dangers._Log, "repaired", lambda self, place, by, after: real(self, place, by, 0) and after + 1)]


def _no_proofs() -> Patches:
    real = dangers._wanted
    return [(dangers, "_wanted", lambda *given: tuple(row for row in real(*given) if row[0][0] in SIGNS))]


def _one_good_is_enough() -> Patches:
    def proof(self: Any, check: str, places: tuple[Any, ...], by: str, after: int) -> str:
        good = [
            r for r in self.state.readings
            if r.check == check and r.n > after and r.outcome == self.k.checks[check].normal and m.may(self.by(r), by)
        ]  # fmt: skip
        return "good" if all(any(p in r.places for r in good) for p in places) else "open"

    return [(dangers._Log, "proof", proof)]


def _anybody_takes_back() -> Patches:
    return [(entries.Log, "refusal", lambda self, target, role, reason="": "")]


def _no_reason_wanted() -> Patches:
    real = entries.Log.refusal
    return [(entries.Log, "refusal", lambda self, target, role, reason="": real(self, target, role, "no reason given"))]


def _words_forgotten() -> Patches:
    real_resume, real_current = OpenCase.resume, alarm.current

    def resume(self: OpenCase, typed: str) -> Any:
        self.forgets = True  # type: ignore[attr-defined]
        return real_resume(self, typed)

    return [(OpenCase, "resume", resume), (alarm, "current", lambda s: None if hasattr(s, "forgets") else real_current(s))]


def _silence_is_no() -> Patches:
    return [(dangers, "open_questions", lambda state: ())]


def _use_where_stopped() -> Patches:
    return [(module, "barred", lambda *given: False) for module in (gate, assess, taking, recording)]


def _steps_while_standing() -> Patches:
    real = assess._bars
    return [(assess, "_bars", lambda *given: real(*given)._replace(danger="none"))]


def _steps_above_the_role() -> Patches:
    real = gate.may_take
    return [(module, "may_take", lambda step, role, bars=gate.FREE: real(step, m.ROLES[-1], bars)) for module in (gate, assess, taking, recording)]


def _no_mark() -> Patches:
    return [(OpenCase, "_mark", lambda self: None), (OpenCase, "_forewarned", lambda self, rows: list(rows))]


# ---- the lines that reach them

UNCLEAR = Way(SIGNS[0], "not-clear")


def _case(world: World, role: str = "electrician", site: str = "one") -> Run:
    """A case in which nothing is wrong but a breaker."""
    run = Run(world)
    run.do(Op("start", role, site))
    say(run, "n", "the breaker trips")
    for _ in range(8):
        s = run.session
        assert s is not None
        if s.case.book is not None and s.case.dialog is None:
            break
        say(run, {"where> ": "1", "others> ": "y"}.get(s.prompt, "1"))
    return run


def _then(run: Run, *lines: str) -> Run:
    say(run, *lines)
    run.close()
    return run


def _repair_elsewhere(world: World) -> Run:
    way = UNCLEAR._replace(site="two")
    run = begin(world, way)
    lines = parts(world.k, run, block_of(world.k, way), way.place)
    lines["repair"] = [line.replace(f"at {name(way.place)}", "at 2") for line in lines["repair"]]
    return _then(run, *(line for part in ("safe", "repair", "power", "proofs", "look") for line in lines[part]))


def _repair_first(world: World) -> Run:
    run = begin(world, UNCLEAR)
    lines = parts(world.k, run, block_of(world.k, UNCLEAR), UNCLEAR.place)
    order = [*lines["repair"], *lines["safe"], "vouch", "these are my own", *lines["proofs"], *lines["look"]]
    return _then(run, *order)


def _bad_after_good(world: World) -> Run:
    run = begin(world, UNCLEAR)
    block = block_of(world.k, UNCLEAR)
    lines = parts(world.k, run, block, UNCLEAR.place)
    check = world.k.checks[block.proofs[0][0]]
    stop = {(r.check, o) for d in world.k.dangers.values() for r in d.raised_by for o in r.outcomes if d.level == "stop"}
    bad = next(o for o in check.outcome_ids[1:] if (check.id, o) not in stop)
    again = f"read {check.id} at 1 = {bad}"
    return _then(run, *lines["safe"], *lines["repair"], *lines["power"], *lines["proofs"], again, *lines["look"])


def _use(world: World) -> Run:
    run = begin(world, UNCLEAR)
    lines = parts(world.k, run, block_of(world.k, UNCLEAR), UNCLEAR.place)
    check = next(c for c in world.k.checks.values() if c.needs == "in-use" and c.at == "unit" and c.role == "caller")
    return _then(run, *lines["safe"], f"read {check.id} at 1 = {check.normal}")


def _hearsay(world: World) -> Run:
    """All but made-safe is only passed on, because a second danger stands meanwhile."""
    way = UNCLEAR._replace(site="two")
    run = begin(world, way)
    lines = parts(world.k, run, block_of(world.k, way), way.place)
    return _then(run, *lines["safe"], "danger the cover of unit 2 hangs off", "y", *lines["repair"], *lines["proofs"], *lines["look"])


def _spoken(world: World) -> Run:
    return _then(_case(world), "there is smoke coming out of unit 1")


def _left(world: World) -> Run:
    run = _case(world)
    say(run, "there is smoke coming out of unit 1")
    run.do(Op("drop"))
    return _then(run)


def _undone(role: str) -> Callable[[World], Run]:
    return lambda world: _then(begin(world, UNCLEAR), f"role {role}", "read ground-path at 1 = open", "undo", "undo", "undo")


PLANTED = {
    "roles": Planted("who lifts is not looked at", _everybody_may, lambda w: go(w, UNCLEAR._replace(part="look", fault="too-low"))),
    "hearsay": Planted("what was reported counts as one's own", _hearsay_counts, _hearsay),
    "made-safe": Planted("made-safe is not wanted", _safe_from_the_start, lambda w: go(w, UNCLEAR._replace(part="safe", fault="left-out"))),
    "repair-place": Planted("a repair anywhere counts", _repairs_anywhere, _repair_elsewhere),
    "repair-order": Planted("a repair before it was made safe counts", _repairs_before, _repair_first),
    "proofs": Planted("proofs are not wanted", _no_proofs, lambda w: go(w, UNCLEAR._replace(part="proofs", fault="left-out"))),
    "failed-proof": Planted("a proof that fails afterwards is ignored", _one_good_is_enough, _bad_after_good),
    "undo": Planted("anybody takes back", _anybody_takes_back, _undone("caller")),
    "undo-reason": Planted("a danger is taken back without a reason", _no_reason_wanted, _undone("electrician")),
    "resume": Planted("words that wait for an answer are forgotten on resume", _words_forgotten, _left),
    "silence": Planted("a question without an answer counts as no", _silence_is_no, _spoken),
    "in-use": Planted("a stopped place is used", _use_where_stopped, _use),
    "steps": Planted("steps are offered while a danger stands", _steps_while_standing, lambda w: _then(begin(w, UNCLEAR))),
    "above-role": Planted(
        "steps above the role are offered", _steps_above_the_role,
        lambda w: _then(_case(w, "caller"), "read ground-path at 1 = low"),
    ),
    "mark": Planted("the list of cases is not told", _no_mark, lambda w: _then(_case(w), "read ground-path at 1 = open")),
}


def hunt(world: World, weakness: Planted, seeds: range) -> int | None:
    """How many random paths it takes to find a weakness; None when these do not."""
    with planted(weakness):
        for count, seed in enumerate(seeds, start=1):
            run = Run(world)
            try:
                Walker(world, seed).walk(run)
            finally:
                run.close()
            if run.found:
                return count
    return None
