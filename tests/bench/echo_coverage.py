"""Do the error bars of echo distances hold? 200 noisy recordings of simulated faults, several noise levels, seeded.

    python tests/bench/echo_coverage.py [runs]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from diagnose.evidence.echo import find_echo, one_sender
from diagnose.evidence.echo_model import pair_of
from diagnose.evidence.scope_scan import Scan
from tests.evidence.netlists.make import LENGTHS
from tests.evidence.waves import SPEED, wave

KINDS = ("open", "missing", "short", "doubled", "extra", "joint", "higher", "lower", "branch")
NOISES = (0.01, 0.03, 0.1)


def main(runs: int = 200) -> int:
    """Print every run that fails, then the share of bars that hold and of distances within 3 % or 2 m."""
    rng = np.random.default_rng(20)
    pair = pair_of(24, 120, 0.66)
    held = close = told = 0
    widths: list[float] = []
    began = time.time()
    for seed in range(runs):
        if seed % 20 == 19:
            print(f"after {seed} runs: {held} of {told} hold, {close} close", flush=True)
        kind, metres, loss = str(rng.choice(KINDS)), int(rng.choice(LENGTHS)), str(rng.choice(["lossy", "lossless"]))
        noise, step = float(rng.choice(NOISES)), float(rng.choice([20e-9, 40e-9, 80e-9]))
        rate = float(rng.choice([9600, 19_200, 57_600]))
        t, y = wave(f"{kind}-{metres}-{loss}", noise=noise, step=step, seed=seed, rate=rate, pause=200e-6)
        scan = Scan()
        scan.feed(t, y)
        scan.finish()
        echo = find_echo(one_sender(scan.windows(), scan.noise), pair)
        case = f"{kind} {metres} m {loss}, noise {noise} V, {1e9 * step:.0f} ns, {rate:.0f} bit/s"
        if echo is None or echo.shape == "none" or echo.delay < echo.nearest:
            print(f"no echo told: {case}" + ("" if echo is None else f" (fit {echo.fit:.1f}, limit {echo.nearest * SPEED / 2:.0f} m, least {echo.least:.2f})"), flush=True)
            continue
        told += 1
        found, bar = echo.delay * SPEED / 2, echo.delay_bar * SPEED / 2
        within = abs(found - metres) <= bar
        near = abs(found - metres) <= max(2.0, 0.03 * metres)
        held += within
        close += near
        widths.append(bar)
        if not within or not near:
            print(f"{'outside the bar' if near else 'WRONG'}: {case}: {found:.2f} ± {bar:.2f} m, fit {echo.fit:.2f}", flush=True)
    print(
        f"{runs} runs, {told} told, bars hold in {held} ({100 * held / max(told, 1):.1f} %), within 3 % or 2 m {close} "
        f"({100 * close / max(told, 1):.1f} %), bar median {np.median(widths):.2f} m, {time.time() - began:.0f} s"
    )
    return 0 if told and held >= 0.95 * told else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
