"""Compute the step responses that the echo tests use, with a circuit simulator that knows nothing of this project.

    python tests/evidence/netlists/make.py            writes the netlists and, where `ngspice` is installed, the data

A netlist is one edge of a driver (open source of 1 V, 40 ohm, a 120 ohm terminator beside it) into a pair of 120 ohm
and 0.66 c, with one fault. `T` lines are lossless; `O` lines have the loop resistance of 24 AWG, 168.4 ohm/km.
"""

from __future__ import annotations

import gzip
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
DATA = HERE.parent / "data" / "echo"
SPEED, IMPEDANCE, LOOP = 0.66 * 299_792_458, 120.0, 0.1684
RAMP = 100e-9
ENDS = {"open": 1e6, "short": 0.5, "missing": 12_000.0, "doubled": 60.0, "higher": 180.0, "lower": 90.0, "sound": 120.0}
LENGTHS = (20, 60, 150, 300, 600)
STUB = 30.0


def line(number: int, a: str, b: str, metres: float, lossy: bool, stepped: bool = False) -> str:
    """One piece of pair between two nodes; `stepped` takes the convolution of an `O` line for a lossless one too."""
    if not lossy and not stepped:
        return f"T{number} {a} 0 {b} 0 Z0={IMPEDANCE:g} TD={metres / SPEED:.9e}\n"
    model = f"ltra(r={LOOP if lossy else 0:g} l={IMPEDANCE / SPEED:.9e} c={1 / (IMPEDANCE * SPEED):.9e} g=0 len={metres} rel=1 abs=1)"
    return f"O{number} {a} 0 {b} 0 pair{number}\n.model pair{number} {model}\n"


def network(kind: str, metres: float, lossy: bool) -> str:
    """The trunk with a fault at so many metres from the driver."""
    beyond = 0.7 * metres
    if kind in ENDS:
        return line(1, "p", "e", metres, lossy) + f"Rend e 0 {ENDS[kind]:g}\n"
    near = line(1, "p", "m", metres, lossy)
    if kind == "extra":
        return near + "Rx m 0 120\n" + line(2, "m", "e", beyond, lossy) + "Rend e 0 120\n"
    if kind == "joint":
        return near + "Rx m n 60\n" + line(2, "n", "e", beyond, lossy) + "Rend e 0 120\n"
    if kind == "branch":
        # Three `T` lines at a node multiply the simulator's break points until it gives up.
        near, stub, far = line(1, "p", "m", metres, lossy, True), line(3, "m", "q", STUB, lossy, True), line(2, "m", "e", beyond, lossy, True)
        return near + stub + "Rq q 0 1e6\n" + far + "Rend e 0 120\n"
    raise ValueError(kind)


KINDS = (*ENDS, "extra", "joint", "branch")


def netlist(kind: str, metres: float, lossy: bool) -> str:
    """The whole netlist; `OUT` stands for the file that it writes."""
    span = min(max(16 * metres / SPEED, 6e-6) + 1e-6, 60e-6)
    step = max(RAMP / 8, span / 1600) if lossy else RAMP / 8
    begin = 0.5e-6 - RAMP / 2
    return (
        f"* {kind} at {metres:g} m, {'lossy' if lossy else 'lossless'}\n"
        f"Vd s 0 PWL(0 0 {begin:.6e} 0 {begin + RAMP:.6e} 1)\nRs s p 40\nRn p 0 120\n"
        f"{network(kind, metres, lossy)}.tran {step:.4e} {span:.4e} 0 {step:.4e}\n"
        ".control\nrun\nwrdata OUT v(p)\n.endc\n.end\n"
    )


def name(kind: str, metres: float, lossy: bool) -> str:
    """The name of a case's files."""
    return f"{kind}-{metres:g}-{'lossy' if lossy else 'lossless'}"


def compute(text: str) -> str:
    """The simulator's result as CSV text: seconds from the middle of the edge, volts. Errors: RuntimeError."""
    with tempfile.TemporaryDirectory() as folder:
        out, circuit = Path(folder, "out.txt"), Path(folder, "case.cir")
        circuit.write_text(text.replace("OUT", str(out)))
        done = subprocess.run(["ngspice", "-b", str(circuit)], capture_output=True, text=True, timeout=120)
        if not out.exists():
            raise RuntimeError(done.stdout[-400:] + done.stderr[-400:])
        rows = [line.split() for line in out.read_text().splitlines() if line.strip()]
    asked = float(text.split(".tran ")[1].split()[1])
    if not rows or float(rows[-1][0]) < 0.999 * asked:
        raise RuntimeError(f"the simulator gave up at {rows[-1][0] if rows else 0} s of {asked:g} s")
    points = [(float(a) - 0.5e-6, float(b)) for a, b, *_ in rows]
    kept: list[str] = []
    before = points[0]
    for k, (t, v) in enumerate(points):  # a point on the straight line between its neighbours is not needed
        if 0 < k < len(points) - 1:
            after = points[k + 1]
            line = before[1] + (after[1] - before[1]) * (t - before[0]) / max(after[0] - before[0], 1e-18)
            if abs(line - v) < 1e-6 and t - before[0] < 2e-6:
                continue
        kept.append(f"{t:.6e},{v:.6f}")
        before = (t, v)
    return "\n".join(kept) + "\n"


def main() -> None:
    """Write everything."""
    DATA.mkdir(parents=True, exist_ok=True)
    found = shutil.which("ngspice")
    for kind in KINDS:
        for metres in LENGTHS:
            for lossy in (False, True):
                text = netlist(kind, metres, lossy)
                (HERE / f"{name(kind, metres, lossy)}.cir").write_text(text)
                if found:
                    target = DATA / f"{name(kind, metres, lossy)}.csv.gz"
                    target.write_bytes(gzip.compress(compute(text).encode(), 9, mtime=0))
    if not found:
        sys.exit("ngspice is not installed; only the netlists are written")


if __name__ == "__main__":
    main()
