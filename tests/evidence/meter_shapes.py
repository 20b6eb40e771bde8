"""Logs as meters write them, of circuits solved here by nodes: nothing of the code under test is used.

The network of a split-phase site: two sources of 120 V, a resistance in each leg and in the neutral up to the panel,
loads from each leg to neutral there, then the branch: a conductor and a joint in each leg, and the car's current
between their ends.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np

BEGIN = datetime(2031, 4, 1, 9, 30)


class Net(NamedTuple):
    """Resistances in ohm. `house` are the loads from leg A and leg B to neutral at the panel; 1e9 stands for none, and for an open wire."""

    source: float = 120.0
    leg: tuple[float, float] = (0.02, 0.02)
    neutral: float = 0.02
    house: tuple[float, float] = (1e9, 1e9)
    wire: tuple[float, float] = (0.05, 0.05)
    joint: tuple[float, float] = (0.0, 0.0)


class At(NamedTuple):
    """Volts at the unit: across, each leg to ground (the source's star), each leg to the panel's neutral; and across at the panel."""

    across: float
    a_ground: float
    b_ground: float
    a_neutral: float
    b_neutral: float
    panel: float


def resistors(net: Net) -> list[tuple[str, str, float]]:
    """The network's resistors: two nodes and ohms. `sa` and `sb` are the sources' ends, `0` is ground."""
    return [
        ("sa", "pa", net.leg[0]), ("sb", "pb", net.leg[1]), ("0", "n", net.neutral), ("pa", "n", net.house[0]), ("pb", "n", net.house[1]),
        ("pa", "ua", net.wire[0] + net.joint[0]), ("pb", "ub", net.wire[1] + net.joint[1]),
        # The unit's own electronics between its wires.
        ("ua", "ub", 5000.0),
    ]  # fmt: skip


def solve(net: Net, amps: float) -> At:
    """Volts everywhere with the car taking `amps` from a to b: nodal analysis, the two halves of the source in opposite phase."""
    names = ["pa", "pb", "n", "ua", "ub"]
    known = {"0": 0.0, "sa": net.source, "sb": -net.source}
    g, i = np.zeros((5, 5)), np.zeros(5)
    for x, y, ohms in resistors(net):
        for here, there in ((x, y), (y, x)):
            if here in names:
                n = names.index(here)
                g[n, n] += 1 / ohms
                if there in names:
                    g[n, names.index(there)] -= 1 / ohms
                else:
                    i[n] += known[there] / ohms
    i[3] -= amps
    i[4] += amps
    v = dict(zip(names, np.linalg.solve(g, i), strict=True))
    pairs = (("ua", "ub"), ("ua", "0"), ("ub", "0"), ("ua", "n"), ("ub", "n"), ("pa", "pb"))
    v["0"] = 0.0
    return At(*(abs(v[x] - v[y]) for x, y in pairs))  # a meter shows no sign of alternating volts


def steps(*pairs: tuple[float, float], every: float = 1.0) -> list[float]:
    """Amperes sample by sample from (seconds, amperes) pairs."""
    return [amps for seconds, amps in pairs for _ in range(round(seconds / every))]


def charging(count: int = 4, amps: float = 32.0, on: float = 240.0, off: float = 120.0) -> list[float]:
    """Several short charges with pauses."""
    return steps(*[x for _ in range(count) for x in ((off, 0.0), (on, amps))], (off, 0.0))


class Meter(NamedTuple):
    """Errors of a meter: noise and last digit of volts and amperes, and the gain error of the clamp."""

    volt_noise: float = 0.15
    amp_noise: float = 0.08
    volt_digit: float = 0.1
    amp_digit: float = 0.01
    clamp_gain: float = 1.0


def read(value: float, noise: float, digit: float, draw: random.Random) -> float:
    """What a meter shows."""
    return round((value + draw.gauss(0, noise)) / digit) * digit


Table = dict[str, list[float | None]]


PLAIN = Meter()


def log(
    net: Net | Callable[[int], Net], amps: Sequence[float], seed: int = 1, meter: Meter = PLAIN,
    drift: float = 0.0, what: str = "across ground",
) -> Table:
    """Columns of a log: the network at each second, a supply that swings slowly by `drift` V, and a meter's errors."""
    draw = random.Random(seed)
    table: Table = {}
    phase = draw.random() * 6.28
    cache: dict[tuple[Net, float], At] = {}
    for n, current in enumerate(amps):
        one = net(n) if callable(net) else net
        key = (one, current)
        if key not in cache:
            cache[key] = solve(one, current)
        at = cache[key]
        # The slow swing of the supply scales every voltage alike.
        swing = 1 + drift / 240 * float(np.sin(phase + n / 700.0))
        volts: dict[str, float] = {}
        if "across" in what:
            volts["L1-L2 (V)"] = at.across
        if "ground" in what:
            volts |= {"L1-G (V)": at.a_ground, "L2-G (V)": at.b_ground}
        if "neutral" in what:
            volts |= {"L1-N (V)": at.a_neutral, "L2-N (V)": at.b_neutral}
        if "panel" in what:
            volts["L1-L2 panel (V)"] = at.panel
        for name, value in volts.items():
            table.setdefault(name, []).append(read(value * swing, meter.volt_noise, meter.volt_digit, draw))
        table.setdefault("I1 (A)", []).append(max(0.0, read(current * meter.clamp_gain, meter.amp_noise if current else 0.01, meter.amp_digit, draw)))
    return table


def number(value: float | None, comma: bool, digits: int = 2) -> str:
    """A cell."""
    text = "OL" if value is None else f"{value:.{digits}f}"
    return text.replace(".", ",") if comma else text


def text(
    table: Table,
    separator: str = ",",
    comma: bool = False,
    time: str = "iso",
    every: float = 1.0,
    header: Iterable[str] = (),
    units: bool = False,
    bom: bool = False,
    begin: datetime = BEGIN,
    end: str = "\n",
    digits: int = 2,
) -> bytes:
    """The log as a meter exports it. `time`: iso, clock, seconds, elapsed, split (date and clock apart), us (month first, half days)."""
    names = list(table)
    times = {"split": ["Date", "Clock"], "seconds": ["Time (s)"], "elapsed": ["Elapsed"]}.get(time, ["Time"])
    titles = [*times, *names]
    rows = list(header)
    if units:
        rows.append(separator.join([*times, *(n.split(" (")[0] for n in names)]))
        rows.append(separator.join([*("" for _ in times), *(n.split("(")[1].strip(")") for n in names)]))
    else:
        rows.append(separator.join(titles))
    for n in range(len(table[names[0]])):
        moment = begin + timedelta(seconds=n * every)
        seconds = n * every
        stamp = {
            "iso": f"{moment:%Y-%m-%dT%H:%M:%S}", "clock": f"{moment:%H:%M:%S}", "seconds": number(seconds, comma),
            "elapsed": f"{int(seconds) // 3600}:{int(seconds) // 60 % 60:02d}:{seconds % 60:06.3f}",
            "split": f"{moment:%Y-%m-%d}{separator}{moment:%H:%M:%S}",
            "us": f"{moment.month}/{moment.day}/{moment.year} {moment:%I:%M:%S %p}".replace(" 0", " "),
        }[time]  # fmt: skip
        rows.append(separator.join([stamp, *(number(table[name][n], comma, digits) for name in names)]))
    return (b"\xef\xbb\xbf" if bom else b"") + (end.join(rows) + end).encode()
