"""Time to read a meter's log of 100 MB, beside a bare loop that only splits the same file into cells.

    python tests/bench/bench_meter_log.py [megabytes]

The bare loop is `for row in csv.reader(file): pass`: no number is made, nothing is looked at. A second bare loop also makes
numbers of the cells, which any reader has to do. Times are those of the processor, best of three, the reader and the loops
in turn. Peak memory is that of a process that reads the file and nothing else, less that of one that reads a log of 1 MB.
Three ways of writing are measured: plain rows, the same with `OL` in every fiftieth, and quotes round every cell.
Exit code 1 when plain rows are read slower than 20 MB/s, or with more than 200 MB of memory beyond those of a short log.
"""

from __future__ import annotations

import csv
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from diagnose.evidence.meter.reader import read_meter_log
from diagnose.evidence.reader import Asked

LEAST_MB_S = 20.0
MEMORY_MB = 200


def block(rows: int, begin: int, form: str, draw: random.Random) -> str:
    """So many rows: half an hour of charging in each hour, three voltages, a current, a temperature."""
    out = []
    start = datetime(2031, 4, 1)
    for n in range(begin, begin + rows):
        amps = 32.0 if n % 3600 < 1800 else 0.0
        stamp = f"{start + timedelta(seconds=n):%Y-%m-%d %H:%M:%S}"
        cells = [
            stamp, f"{240 - 0.2 * amps + draw.gauss(0, 0.15):.1f}",
            f"{120 - 0.1 * amps + draw.gauss(0, 0.1):.1f}", f"{120 - 0.1 * amps + draw.gauss(0, 0.1):.1f}",
            f"{abs(amps + draw.gauss(0, 0.08)):.2f}", f"{35 + amps / 2 + draw.gauss(0, 0.1):.1f}",
        ]  # fmt: skip
        if form == "quoted":
            cells = [f'"{c}"' for c in cells]
        if form == "marked" and n % 50 == 0:
            cells[4] = "OL"
        out.append(",".join(cells))
    return "\n".join(out) + "\n"


def write(path: Path, size: int, form: str) -> None:
    """A log of `size` bytes on disk."""
    draw, written, n = random.Random(1), 0, 0
    with path.open("w", encoding="utf-8") as out:
        written += out.write("Time,L1-L2 (V),L1-G (V),L2-G (V),I1 (A),Inside (°C)\n")
        while written < size:
            text = block(3600, n, form, draw)
            n += 3600
            written += out.write(text)


def bare(path: Path) -> None:
    """Split into cells and forget them."""
    with path.open(encoding="utf-8", newline="") as file:
        for _ in csv.reader(file):
            pass


def bare_numbers(path: Path) -> None:
    """Split into cells and make numbers of all but the first."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        next(rows)
        for row in rows:
            for cell in row[1:]:
                if cell != "OL":
                    float(cell)


def whole(path: Path) -> None:
    """The reader."""
    with path.open("rb") as file:
        read_meter_log(file, Asked("unit 1.csv"))


def seconds(task: Callable[[Path], None], path: Path) -> float:
    """Seconds of the processor."""
    began = time.process_time()
    task(path)
    return time.process_time() - began


def memory(path: Path) -> float:
    """Peak memory in MB of a process that reads the file."""
    code = (
        f"import sys; sys.path.insert(0,{str(Path(__file__).parents[2])!r})\n"
        "from diagnose.evidence.reader import Asked\nfrom diagnose.evidence.meter.reader import read_meter_log\n"
        f"read_meter_log(open({str(path)!r},'rb'), Asked('unit 1.csv'))\n"
        # Not getrusage: its peak is handed down from the process that starts this one.
        "print(next(int(x.split()[1]) for x in open('/proc/self/status') if x.startswith('VmHWM'))/1024)"
    )
    return float(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)


def main() -> int:
    """Measure and judge."""
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    good = True
    with tempfile.TemporaryDirectory() as folder:
        for form in ("plain", "marked", "quoted"):
            path = Path(folder) / f"{form}.csv"
            write(path, (size if form == "plain" else max(2, size // 5)) * 1_000_000, form)
            mb = path.stat().st_size / 1e6
            times = {t.__name__: min(seconds(t, path) for _ in range(3)) for t in (bare, bare_numbers, whole)}
            speed = mb / times["whole"]
            print(
                f"{form:7} {mb:5.0f} MB: {speed:5.1f} MB/s; bare split {mb / times['bare']:5.1f} MB/s (ratio {times['whole'] / times['bare']:.2f}), "
                f"split and numbers {mb / times['bare_numbers']:5.1f} MB/s (ratio {times['whole'] / times['bare_numbers']:.2f})"
            )
            if form == "plain":
                small = Path(folder) / "small.csv"
                write(small, 1_000_000, form)
                more = memory(path) - memory(small)
                print(f"memory: {memory(path):.0f} MB at most, {more:.0f} MB more than for 1 MB; limit {MEMORY_MB} MB more")
                good = speed >= LEAST_MB_S and more <= MEMORY_MB
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
