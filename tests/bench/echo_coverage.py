"""Do the error bars of echo distances hold, and are the kinds right? Noisy recordings of simulated faults, seeded.

    python tests/bench/echo_coverage.py [runs] [first seed]

Every recording draws a fault, its distance, loss, noise, sample spacing, bit rate, eight-bit steps or none, and a record that
is a little wrong: a velocity factor off by 0.5 % (one standard deviation) and a conductor one size up or down.
"""

from __future__ import annotations

import sys
import time
from functools import lru_cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from diagnose.casework.state import read_site
from diagnose.evidence.scope.echo import find_echo
from diagnose.evidence.scope.echo_place import EchoPlace, locate
from diagnose.evidence.scope.echo_stack import one_sender
from diagnose.evidence.scope.find import cable_of
from diagnose.evidence.scope.scan import Scan
from diagnose.knowledge.load import load
from diagnose.site.model import Site
from tests.bench.echo_chains import table
from tests.evidence.netlists.make import LENGTHS
from tests.evidence.waves import SPEED, wave

EXPECTED = {
    "open": "open", "missing": "missing terminator", "short": "short", "doubled": "doubled terminator", "extra": "extra terminator",
    "joint": "higher impedance", "higher": "higher impedance", "lower": "lower impedance", "branch": "branch",
}  # fmt: skip
AT_END = ("missing", "doubled", "higher", "lower")
NOISES = (0.01, 0.03, 0.1)
KNOWLEDGE = load()


@lru_cache(maxsize=64)
def record(total: float, gauge: int = 24) -> Site:
    """A trunk of so many metres with a unit at either end alone, for the simulated cable bears no stations."""
    return read_site(
        "install-record: 1\nname: Larch Lane\nunits: {count: 2}\ntrunks:\n  - units: 1-2\n    controller: 1\n"
        f"    segment-length: {total} m\n    kind: rs485\n    cable: {gauge}-awg\n    impedance: 120 ohm\n    velocity-factor: 0.66\n"
        "    bit-rate: 19200\n    parity: even\n    terminators-at: [1, 2]\n    terminator-ohms: 120 ohm\n    terminator-kind: resistor\n",
        KNOWLEDGE,
    )


def looked_at(
    kind: str, metres: float, t: np.ndarray, y: np.ndarray, gauge: int = 24  # type: ignore[type-arg]
) -> tuple[EchoPlace | None, object, float]:
    """The echo's spot on the record's trunk, the echo, and the seconds of one processor that finding it took."""
    scan = Scan()
    scan.feed(t, y)
    scan.finish()
    site = record(metres if kind in AT_END else 1.7 * metres, gauge)
    began = time.process_time()
    echo = find_echo(one_sender(scan.windows(), scan.noise), cable_of(site, site.trunks[0]))
    took = time.process_time() - began
    told = echo is not None and echo.shape != "none" and echo.delay >= echo.nearest
    return (locate(echo, site, site.trunks[0], 1) if told else None), echo, took  # type: ignore[arg-type]


def main(runs: int = 200, first: int = 0) -> int:
    """Print every run that fails, then the shares by kind and in all."""
    rows: list[tuple[str, bool, bool, bool, bool, float, float]] = []
    times: list[float] = []
    for seed in range(first, first + runs):
        rng = np.random.default_rng((20, seed))
        kind, metres, loss = str(rng.choice(list(EXPECTED))), int(rng.choice(LENGTHS)), str(rng.choice(["lossy", "lossless"]))
        noise, step = float(rng.choice(NOISES)), float(rng.choice([20e-9, 40e-9, 80e-9]))
        rate, gauge, lsb = float(rng.choice([9600, 19_200, 57_600])), int(rng.choice([22, 24, 26])), float(rng.choice([0.0, 0.04]))
        slower = float(rng.normal(1.0, 0.005))
        t, y = wave(f"{kind}-{metres}-{loss}", noise=noise, step=step, seed=seed, rate=rate, pause=200e-6, stretch=slower)
        if lsb:
            y = np.round(y / lsb) * lsb
        spot, echo, took = looked_at(kind, metres, t, y, gauge)
        times.append(took)
        case = f"{seed}: {kind} {metres} m {loss}, noise {noise} V, steps {1000 * lsb:.0f} mV, {1e9 * step:.0f} ns, {rate:.0f} bit/s"
        if spot is None:
            e = echo
            why = (
                ""
                if e is None
                else f" (fit {e.fit:.1f}, limit {e.nearest * SPEED / 2:.0f} m, "  # type: ignore[attr-defined]
                f"least {e.least:.2f}, slight {e.slight_factor:+.2f} "  # type: ignore[attr-defined]
                f"at {e.slight_delay * SPEED / 2:.1f} m, "  # type: ignore[attr-defined]
                f"{e.from_delay * SPEED / 2:.0f} to {e.to_delay * SPEED / 2:.0f} m)"  # type: ignore[attr-defined]
            )
            print(f"not told {case}{why}", flush=True)
            rows.append((kind, False, False, False, False, 0.0, 0.0))
            continue
        off = abs(spot.metres - metres)
        held, close, right = off <= spot.bar, off <= max(2.0, 0.03 * metres), spot.kind == EXPECTED[kind]
        rows.append((kind, True, held, close, right, spot.bar, off))
        if not (held and close and right):
            words = [w for w, wrong in (("outside the bar", not held), ("FAR OFF", not close), (f"read as {spot.kind}", not right)) if wrong]
            print(
                f"{', '.join(words)} {case}: {spot.metres:.2f} ± {spot.bar:.2f} m, "
                f"factor {spot.factor:+.3f} ± {spot.factor_bar:.3f}, fit {echo.fit:.2f}",  # type: ignore[attr-defined]
                flush=True,
            )
    table(rows, EXPECTED)
    told = [r for r in rows if r[1]]
    held = sum(r[2] for r in told)
    print(
        f"bars hold in {100 * held / max(len(told), 1):.1f} % of those told; a fit takes "
        f"{np.median(times):.2f} s in the middle, {max(times):.2f} s at most, "
        f"{sum(times):.0f} s in all"
    )
    return 0 if told and held >= 0.95 * len(told) else 1


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:3])))
