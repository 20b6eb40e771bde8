"""Chains of stations as they really hang on a trunk: are sound ones left alone, and where are faults in them placed?

    python tests/bench/echo_chains.py sound [runs] [first seed]
    python tests/bench/echo_chains.py faults [runs] [first seed]

The chains are computed by the network library of the tests, not by the project's model. Every recording draws
1 to 30 stations on 20 to 600 m, drops of 0.1 to 1 m, receivers of one or an eighth of a unit load with
10 to 40 pF, an edge of 20 to 400 ns in one of four forms, loss (none, copper alone, copper with skin effect), a
resistor within 2 % of 120 ohm at the end, noise and sample spacing. A fault told on a sound trunk is a false alarm.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from diagnose.casework.state import read_site
from diagnose.evidence.scope.echo import find_echo
from diagnose.evidence.scope.echo_judge import Echo
from diagnose.evidence.scope.echo_place import EchoPlace, locate
from diagnose.evidence.scope.echo_stack import one_sender
from diagnose.evidence.scope.find import cable_of
from diagnose.evidence.scope.scan import Scan
from diagnose.knowledge.load import load
from diagnose.site.model import Site
from tests.evidence.chains import Drop, response
from tests.evidence.waves import SPEED, wave

KNOWLEDGE = load()


def record(stations: list[float], metres: float) -> Site:
    """The controller as unit 1, then the stations with the lengths between them; the last stands at the end."""
    at = [0.0, *stations]
    lengths = ", ".join(f'"{n}-{n + 1}": {max(b - a, 0.01):.2f} m' for n, (a, b) in enumerate(pairwise(at), 1))
    return read_site(
        f"install-record: 1\nname: Larch Lane\nunits: {{count: {len(at)}}}\ntrunks:\n  - units: 1-{len(at)}\n    controller: 1\n"
        f"    segment-length: 10 m\n    except-segments: {{{lengths}}}\n    kind: rs485\n    cable: 24-awg\n"
        "    impedance: 120 ohm\n    velocity-factor: 0.66\n"
        f"    bit-rate: 19200\n    parity: even\n    terminators-at: [1, {len(at)}]\n    terminator-ohms: 120 ohm\n    terminator-kind: resistor\n",
        KNOWLEDGE,
    )


class Chain(NamedTuple):
    """One recording of a chain, with what it was drawn from. `true` is the fault's distance in m, 0 without one."""

    t: np.ndarray  # type: ignore[type-arg]
    y: np.ndarray  # type: ignore[type-arg]
    site: Site
    words: str
    true: float


KINDS = {
    "open": "open", "short": "short", "missing": "missing terminator", "doubled": "doubled terminator", "extra": "extra terminator",
    "joint": "higher impedance", "branch": "branch",
}  # fmt: skip


def chain(seed: int, fault: str = "") -> Chain:
    """A chain drawn by a seed, sound or with a fault; `missing` and `doubled` sit at the far end, the rest between 15 % and 85 %."""
    rng = np.random.default_rng((31, seed))
    metres, count = float(rng.uniform(20, 600)), int(rng.integers(1, 31))
    at = [*sorted(rng.uniform(0.03, 0.97, count - 1) * metres), metres]
    load_ohms, farads = float(rng.choice([12_000.0, 96_000.0])), float(rng.uniform(10e-12, 40e-12))
    drops = [Drop(float(a), float(rng.uniform(0.1, 1.0)), load_ohms, farads) for a in at]
    loss = str(rng.choice(["none", "copper", "skin"]))
    form, rise = str(rng.choice(["ramp", "gauss", "cosine", "exponential"])), float(np.exp(rng.uniform(np.log(20e-9), np.log(400e-9))))
    source, end = float(rng.uniform(20, 60)), 120 * float(rng.uniform(0.98, 1.02))
    noise, step = float(rng.choice([0.01, 0.03, 0.1])), float(rng.choice([10e-9, 20e-9, 40e-9, 80e-9]))
    rate, lsb = float(rng.choice([9600, 19_200, 57_600])), float(rng.choice([0.0, 0.04]))
    true = metres if fault in ("missing", "doubled") else float(rng.uniform(0.15, 0.85)) * metres if fault else 0.0
    across, series, length, last = [], [], metres, end
    if fault in ("open", "short"):
        length, last = true, 1e7 if fault == "open" else 0.5
        drops = [d for d in drops if d.at < true]
    elif fault in ("missing", "doubled"):
        last = 1e7 if fault == "missing" else end / 2
    elif fault == "extra":
        across = [(true, 120.0)]
    elif fault == "joint":
        series = [(true, 60.0)]
    elif fault == "branch":
        drops = [*drops, Drop(true, float(rng.uniform(10, 40)), 12_000.0, 20e-12)]
    curve = response(
        length, end=last, across=across, series=series, branches=drops, lossy=loss != "none",
        skin=loss == "skin", form=form, rise=rise, source=source,
    )
    t, y = wave(curve, noise=noise, step=step, seed=seed, rate=rate, pause=150e-6)
    y = np.round(y / lsb) * lsb if lsb else y
    words = (
        f"{count} stations on {metres:.0f} m, {loss}, {load_ohms:.0f} ohm {1e12 * farads:.0f} pF, {form} "
        f"{1e9 * rise:.0f} ns, noise {noise} V, steps {1000 * lsb:.0f} mV, {1e9 * step:.0f} ns"
    )
    return Chain(t, y, record([float(a) for a in at], metres), words, true)


def looked_at(c: Chain) -> tuple[Echo | None, EchoPlace | None]:
    """The echo, and its spot where one is told."""
    scan = Scan()
    scan.feed(c.t, c.y)
    scan.finish()
    echo = find_echo(one_sender(scan.windows(), scan.noise), cable_of(c.site, c.site.trunks[0]))
    told = echo is not None and echo.shape != "none" and echo.delay >= echo.nearest
    return echo, locate(echo, c.site, c.site.trunks[0], 1) if told and echo is not None else None


def sound(runs: int = 200, first: int = 0) -> int:
    """Print every alarm, then the counts."""
    told = small = silent = unclear = 0
    worst = 0.0
    began = time.time()
    for seed in range(first, first + runs):
        c = chain(seed)
        echo, spot = looked_at(c)
        if spot is None or echo is None:
            slight = echo is not None and echo.slight_delay > 0
            small, silent = small + slight, silent + (not slight)
            unclear += echo is not None and echo.from_delay > 0
        else:
            told += 1
            worst = max(worst, abs(spot.factor))
            print(
                f"{spot.kind} told {seed}: {c.words}: {spot.metres:.1f} ± {spot.bar:.1f} m, factor {spot.factor:+.3f} ± {spot.factor_bar:.3f}, "
                f"branch {echo.branch * SPEED:.2f} ± {echo.branch_bar * SPEED:.2f} m, fit {echo.fit:.2f}",
                flush=True,
            )
    print(
        f"{runs} sound trunks: {told} told as faults ({100 * told / runs:.1f} %, largest factor "
        f"{worst:.2f}), {small} with a word on small unevenness, {silent} without ({unclear} of them with a "
        f"word on a disturbed edge); {time.time() - began:.0f} s"
    )
    return 0 if told <= 0.02 * runs else 1


def faults(runs: int = 140, first: int = 0) -> int:
    """Print every miss, then the shares by kind."""
    rows: list[tuple[str, bool, bool, bool, bool, float, float]] = []
    began = time.time()
    for seed in range(first, first + runs):
        fault = list(KINDS)[seed % len(KINDS)]
        c = chain(seed, fault)
        echo, spot = looked_at(c)
        if spot is None:
            e = echo
            why = (
                "too few edges"
                if e is None
                else f"slight {e.slight_factor:+.2f} at {e.slight_delay * SPEED / 2:.1f} m, begins "
                f"{e.from_delay * SPEED / 2:.0f} to {e.to_delay * SPEED / 2:.0f} m, nearest "
                f"{e.nearest * SPEED / 2:.0f} m, fit {e.fit:.1f}"
            )
            print(f"not told {seed}: {fault} at {c.true:.1f} m, {c.words} ({why})", flush=True)
            rows.append((fault, False, False, False, False, 0.0, 0.0))
            continue
        off = abs(spot.metres - c.true)
        held, close, right = off <= spot.bar, off <= max(2.0, 0.03 * c.true), spot.kind == KINDS[fault]
        rows.append((fault, True, held, close, right, spot.bar, off))
        if not (held and close and right):
            words = ", ".join(w for w, wrong in (("outside the bar", not held), ("FAR OFF", not close), (f"read as {spot.kind}", not right)) if wrong)
            print(
                f"{words} {seed}: {fault} at {c.true:.1f} m, {c.words}: {spot.metres:.1f} ± {spot.bar:.1f} m, "
                f"factor {spot.factor:+.3f} ± {spot.factor_bar:.3f}, fit {echo.fit:.1f}",  # type: ignore[union-attr]
                flush=True,
            )
    told = table(rows, KINDS)
    print(f"{time.time() - began:.0f} s")
    return 0 if told else 1


def table(rows: list[tuple[str, bool, bool, bool, bool, float, float]], kinds: Iterable[str]) -> int:
    """Print counts by kind: (kind, told, held, within 3 % or 2 m, kind right, bar m, off m). Returns how many were told."""
    print(f"{'kind':10}{'runs':>6}{'told':>6}{'held':>6}{'close':>6}{'kind right':>12}{'median bar m':>14}{'median off m':>14}")
    count = 0
    for kind in (*kinds, "all"):
        some = [r for r in rows if kind in ("all", r[0])]
        told = [r for r in some if r[1]]
        count = len(told)
        if told:
            print(
                f"{kind:10}{len(some):6}{len(told):6}{sum(r[2] for r in told):6}{sum(r[3] for r in told):6}{sum(r[4] for r in told):12}"
                f"{np.median([r[5] for r in told]):14.2f}{np.median([r[6] for r in told]):14.2f}"
            )
    return count


if __name__ == "__main__":
    sys.exit((faults if sys.argv[1:2] == ["faults"] else sound)(*(int(a) for a in sys.argv[2:4])))
