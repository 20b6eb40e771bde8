"""Waveforms for the tests: step responses of the circuit simulator, added up to frames, sampled, with seeded noise."""

from __future__ import annotations

import gzip
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
DATA = Path(__file__).parent / "data" / "echo"
REQUEST = bytes([1, 3, 0, 107, 0, 3, 0x74, 0x17])
SPEED = 0.66 * 299_792_458


@lru_cache(maxsize=128)
def response(name: str) -> tuple[Floats, Floats]:
    """Time from the middle of the edge in s and volts for a step of 1 V."""
    rows = np.loadtxt(gzip.decompress((DATA / f"{name}.csv.gz").read_bytes()).decode().splitlines(), delimiter=",")
    return rows[:, 0], rows[:, 1]


def bits_of(data: bytes, parity: str = "even", stops: int = 1) -> list[int]:
    """The bits on the wire, low before high."""
    out: list[int] = []
    for byte in data:
        ones = [byte >> k & 1 for k in range(8)]
        check = [] if parity == "none" else [(sum(ones) + (parity == "odd")) % 2]
        out += [0, *ones, *check, *[1] * stops]
    return out


def edges_of(frames: list[tuple[float, bytes]], rate: float, parity: str = "even", stops: int = 1) -> list[tuple[float, int]]:
    """(time s, +1 or -1) of every change, for frames that begin at times."""
    found, level = [], 1
    for start, data in frames:
        for k, bit in enumerate([*bits_of(data, parity, stops), 1]):
            if bit != level:
                found.append((start + k / rate, 1 if bit else -1))
                level = bit
    return found


def wave(
    name: str | tuple[Floats, Floats], *, rate: float = 19_200, parity: str = "even", stops: int = 1,
    step: float = 20e-9, noise: float = 0.03, seed: int = 1, frames: list[tuple[float, bytes]] | None = None,
    swing: float = 3.0, pause: float = 600e-6, ramp: float = 0.0, idle: float | None = None,
    stretch: float = 1.0,
) -> tuple[Floats, Floats]:
    """Times in s and volts of a recording: `swing` V of an open driver either way, white noise of `noise` V.

    `name` is a stored response, or one as (seconds, volts). `ramp` adds that much rise time in s;
    `idle` replaces the level outside the frames from 30 µs on; `stretch` stretches the response in time (another velocity).
    """
    rng = np.random.default_rng(seed)
    frames = frames or [(100e-6 + float(rng.uniform(0, step)), REQUEST)]
    edges = edges_of(frames, rate, parity, stops)
    t = np.arange(0.0, edges[-1][0] + pause, step)
    rt, rv = response(name) if isinstance(name, str) else name
    rt = rt * stretch
    if ramp:
        fine = np.arange(rt[0] - ramp, rt[-1], min(ramp / 10, 10e-9))
        curve = np.interp(fine, rt, rv, left=0.0)
        width = max(int(ramp / (fine[1] - fine[0])), 1)
        rt, rv = fine, np.convolve(np.concatenate([np.full(width, 0.0), curve]), np.ones(width) / width, "full")[width // 2 + width :][: len(fine)]
        rv[-width:] = curve[-1]
    y = np.full(len(t), swing * float(rv[-1]))
    for when, sign in edges:
        first = max(int((when + rt[0]) / step) - 1, 0)
        y[first:] += 2 * swing * sign * np.interp(t[first:] - when, rt, rv, left=0.0, right=float(rv[-1]))
    if idle is not None:
        bounds = [(s - 20e-6, s + (len(bits_of(d, parity, stops)) + 0.5) / rate) for s, d in frames]
        inside = np.zeros(len(t), dtype=bool)
        for a, b in bounds:
            inside |= (t > a) & (t < b)
        y[~inside] = idle
    return t, y + rng.normal(0, noise, len(t))


def csv(t: Floats, y: Floats, head: str = "Time (s),CH1 (V)\n", separator: str = ",", comma: bool = False, scale: float = 1.0) -> bytes:
    """As an oscilloscope exports it."""
    rows = "\n".join(f"{a * scale:.10g}{separator}{b:.4f}" for a, b in zip(t, y, strict=True))
    return (head + (rows.replace(".", ",") if comma else rows) + "\n").encode()
