"""Where echoes of simulated faults are placed: kind, distance and loss, as the rows of the page on waveforms.

    python tests/bench/echo_table.py

One recording each: 30 mV of noise, 20 ns between samples, 19200 bit/s, an edge of 80 ns, the record's cable the simulated one.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from tests.bench.echo_coverage import EXPECTED, looked_at
from tests.evidence.netlists.make import LENGTHS
from tests.evidence.waves import wave


def main() -> int:
    """Print the table and, below, what is wrong in it."""
    wrong: list[str] = []
    times: list[float] = []
    print("| fault | loss | " + " | ".join(f"{m} m" for m in LENGTHS) + " |")
    print("| --- | --- | " + " | ".join("---" for _ in LENGTHS) + " |")
    for kind, expected in EXPECTED.items():
        for loss in ("lossless", "lossy"):
            cells = []
            for metres in LENGTHS:
                t, y = wave(f"{kind}-{metres}-{loss}", pause=200e-6)
                spot, _, took = looked_at(kind, metres, t, y)
                times.append(took)
                case = f"{kind} at {metres} m, {loss}"
                if spot is None:
                    cells.append("not told")
                    wrong.append(f"{case}: not told")
                    continue
                cells.append(f"{spot.metres:.1f} ± {spot.bar:.1f}" + ("" if spot.kind == expected else f" ({spot.kind})"))
                off = abs(spot.metres - metres)
                if off > spot.bar or off > max(2.0, 0.03 * metres) or spot.kind != expected:
                    wrong.append(f"{case}: {cells[-1]}")
            print(f"| {kind} | {loss} | " + " | ".join(cells) + " |", flush=True)
    print(
        f"\n{len(times)} recordings, {len(wrong)} wrong or not told; a fit takes {np.median(times):.2f} s in "
        f"the middle, {max(times):.2f} s at most"
    )
    for line in wrong:
        print(line)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
