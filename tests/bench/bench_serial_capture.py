"""Time to read a serial capture of 100 MB, beside bare loops that do nothing but frame and check the CRC.

    python tests/bench/bench_serial_capture.py [megabytes]

Three bare loops run over the same bytes and know where each frame ends (the reader has to find out):
`table` a table-driven CRC byte by byte, `library` the C code of crcmod once per frame. For text both
first turn each line's hex into bytes. Peak memory is that of a process that reads the file and nothing else.
"""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from diagnose.evidence.reader import Asked
from diagnose.evidence.serial.reader import read
from diagnose.physics.serial import with_crc

UNITS, REGISTERS = range(2, 13), 20
LIMIT = 2.0  # times the bare loop
MEMORY_MB = 200


def polls(rounds: int, seed: int = 1, spoiled: float = 0.0) -> list[tuple[str, bytes]]:
    """Requests and replies of so many rounds, registers random; a share of the replies has a wrong bit."""
    draw = random.Random(seed)
    made = []
    for _ in range(rounds):
        for unit in UNITS:
            made.append(("TX", with_crc(bytes((unit, 3, 0, 0, 0, REGISTERS)))))
            reply = with_crc(bytes((unit, 3, 2 * REGISTERS)) + draw.randbytes(2 * REGISTERS))
            if draw.random() < spoiled:
                hurt = bytearray(reply)
                hurt[draw.randrange(len(hurt))] ^= 1 << draw.randrange(8)
                reply = bytes(hurt)
            made.append(("RX", reply))
    return made


def line(n: int, way: str, data: bytes) -> bytes:
    """A line of a logger."""
    t = n * 0.02
    return f"2025-03-04 {int(t // 3600) % 24:02d}:{int(t // 60) % 60:02d}:{t % 60:09.6f} {way} {data.hex(' ').upper()}\n".encode()


def write(path: Path, size: int, text: bool, spoiled: float = 0.0) -> None:
    """A capture of `size` bytes on disk."""
    block = polls(400, spoiled=spoiled)
    count, written = 0, 0
    with path.open("wb") as out:
        while written < size:
            rows = [line(count + n, w, d) for n, (w, d) in enumerate(block)] if text else [d for _, d in block]
            count += len(block)
            data = b"".join(rows)
            written += out.write(data)


TABLE = []
for _n in range(256):
    _r = _n
    for _ in range(8):
        _r = _r >> 1 ^ 0xA001 if _r & 1 else _r >> 1
    TABLE.append(_r)


def by_table(frame: bytes) -> int:
    """CRC register after a frame, byte by byte."""
    table, register = TABLE, 0xFFFF
    for byte in frame:
        register = table[(register ^ byte) & 0xFF] ^ (register >> 8)
    return register


def bare(path: Path, text: bool, check: Callable[[bytes], int]) -> tuple[float, int]:
    """Processor seconds and good frames of a bare loop."""
    sizes = (8, 5 + 2 * REGISTERS)
    began = time.process_time()
    good = 0
    if text:
        with path.open("rb") as rows:
            for row in rows:
                good += check(bytes.fromhex(row[30:].decode())) == 0
    else:
        with path.open("rb") as stream:
            n = 0
            while block := stream.read(53 * 5000):
                at = 0
                while at < len(block):
                    end = at + sizes[n]
                    good += check(block[at:end]) == 0
                    at, n = end, 1 - n
    return time.process_time() - began, good


def whole(path: Path) -> tuple[float, int]:
    """Processor seconds and good frames of the reader."""
    began = time.process_time()
    with path.open("rb") as stream:
        report = read(stream, Asked(path.name))
    return time.process_time() - began, report.figures["frames"]


def peak_mb(path: Path) -> float:
    """Peak memory, MB, of a process that reads the file."""
    done = subprocess.run([sys.executable, __file__, "--read", str(path)], capture_output=True, text=True, check=True)
    return float(done.stdout)


def main(megabytes: float) -> int:
    """Print the figures; 1 when a limit is passed."""
    import crcmod.predefined

    library = crcmod.predefined.mkPredefinedCrcFun("modbus")
    worst, most = 0.0, 0.0
    print(f"{megabytes:g} MB captures, processor seconds (good frames)")
    with tempfile.TemporaryDirectory() as folder:
        for name, text, spoiled in (("bytes", False, 0.0), ("hex text", True, 0.0), ("bytes, 10 % of replies spoiled", False, 0.1)):
            path = Path(folder) / "capture"
            write(path, int(megabytes * 1e6), text, spoiled)
            rows = {"reader": whole(path), "table": bare(path, text, by_table), "library": bare(path, text, library)}
            again = whole(path)
            rows["reader"] = min(rows["reader"], again)
            assert len({good for _, good in rows.values()}) == 1, rows
            memory = peak_mb(path)
            most = max(most, memory)
            worst = max(worst, rows["reader"][0] / rows["table"][0])
            times = ", ".join(f"{what} {s:.2f} s ({good})" for what, (s, good) in rows.items())
            ratios = ", ".join(f"{rows['reader'][0] / rows[what][0]:.2f} of {what}" for what in ("table", "library"))
            print(f"{name}: {times}; ratio {ratios}; peak {memory:.0f} MB")
            path.unlink()
    print(f"limit: {LIMIT:g} times the table-driven loop, {MEMORY_MB} MB; measured {worst:.2f} times, {most:.0f} MB")
    return int(worst > LIMIT or most > MEMORY_MB)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--read"]:
        whole(Path(sys.argv[2]))
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        sys.exit(0)
    sys.exit(main(float(sys.argv[1]) if sys.argv[1:] else 100.0))
