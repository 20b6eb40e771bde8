"""What a recording of the data pair shows: characters, levels, edges, the echo and its place. Pure."""

from __future__ import annotations

import re
from typing import IO, NamedTuple

import numpy as np

from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.scope import read as scope_csv
from diagnose.evidence.scope.echo import find_echo
from diagnose.evidence.scope.echo_judge import Echo
from diagnose.evidence.scope.echo_model import CablePair, pair_of
from diagnose.evidence.scope.echo_place import (
    EchoPlace,
    locate,
    velocity,
)
from diagnose.evidence.scope.echo_stack import one_sender
from diagnose.evidence.scope.scan import IDLE_BITS, EdgeWindow, Idle, Scan
from diagnose.evidence.scope.uart import Decoded, decode
from diagnose.evidence.tally import Tally
from diagnose.gauges.bands import awg_of
from diagnose.physics.cable import NOMINAL_IMPEDANCE
from diagnose.physics.trunk import THRESHOLD_V
from diagnose.site.model import Site, Trunk
from diagnose.site.places import Place
from diagnose.source.problems import shown

LOW_SWING_V = 1.0
"""Settled volts between the wires under which the rule base calls a signal small."""
RINGS = 0.1
"""An echo that lifts the edge by this share, or a branch that cuts it so, counts as ringing (common practice, no source)."""
DRIVEN_SHARE = 0.6
"""An idle level above this share of the driven one is held by a driver, not by bias."""
LEAST_MARK_V, BIAS_MOST_V = 0.1, 1.5
"""Driven levels under the first say nothing of who holds the line; without frames bias does not reach the second, V."""
HALF_HEIGHT, HALF_BITS = (0.25, 0.7), 0.08
"""Shares of the driven level between which a bit stands at half height, and the share of such bits when two send at once."""
SHORT_BIT, MOST_SHORT, SHORT_SHARE = 0.4, 3, 0.02
"""Bits that a change lasts at least in a sound signal; so many shorter ones, or such a share, are noise."""
MOST_UNCLOCKED, FEWEST_BURSTS = 30, 3
"""Changes that fit no bit rate, and bursts on the idle line, from which they are noise (common practice, no source)."""
NO_VOLTS = 0.02  # meter offset and pick-up
LEAST_IDLE = 30  # samples
HELD_S = 0.03  # no frame keeps the line low for so long


class WaveFindings(NamedTuple):
    """Everything found, for the report and for drawings. `probe` is a unit's number, `site` what it was placed on."""

    scan: Scan
    layout: scope_csv.WaveLayout
    tally: Tally
    decoded: Decoded | None
    windows: tuple[EdgeWindow, ...]
    echo: Echo | None
    spot: EchoPlace | None
    site: Site | None
    trunk: Trunk | None
    probe: int | None
    probe_said: bool
    driven: float
    mark_level: float
    idle_v: float | None
    idle_why: str
    shape: str
    shape_why: str


def probe_unit(site: Site, text: str) -> tuple[Trunk | None, int | None]:
    """The trunk and unit that a probe's place names (`unit 5`, `controller`, `far end`); the controller for an empty text.

    Errors: EvidenceError for a text that names no unit on a trunk.
    """
    trunk = site.trunks[0] if site.trunks else None
    words = " ".join(text.lower().split())
    if trunk is None:
        return None, None
    if words in ("", "controller", "the controller"):
        return trunk, trunk.controller
    numbered = re.search(r"\btrunk (\d{1,3})\b", words)
    if numbered:
        trunk = next((t for t in site.trunks if t.number == int(numbered.group(1))), None)
        if trunk is None:
            raise EvidenceError(f"the probe's place {shown(text)} is on no trunk of the record; write for instance 'unit 5'")
        words = words.replace(numbered.group(0), "").strip() or "controller"
    if words in ("near end", "near", "far end", "far", "controller"):
        unit = trunk.controller if words == "controller" else trunk.units[-1 if words.startswith("far") else 0]
        return trunk, unit
    found = re.fullmatch(r"(?:unit )?(\d{1,4})", words)
    place = Place("unit", int(found.group(1))) if found else None
    if place is None or site.trunk_of(place) is None:
        raise EvidenceError(f"the probe's place {shown(text)} is no unit on a trunk of the record; write for instance 'unit 5'")
    return site.trunk_of(place), place.number


def cable_of(site: Site | None, trunk: Trunk | None) -> CablePair:
    """The pair's constants by the record, else 24 AWG of 120 ohm."""
    here = Place("trunk", trunk.number) if trunk else Place("site")
    awg = awg_of(site.word("trunk.cable", here) or "24-awg") if site and trunk else 24.0
    impedance = (site.number("trunk.impedance", here) if site and trunk else None) or NOMINAL_IMPEDANCE["rs485"]
    return pair_of(awg, impedance, velocity(site, trunk)[0])


def find(stream: IO[bytes], site: Site | None = None, probe: str | None = None) -> WaveFindings:
    """Read a recording once, in bounded memory, and find everything in it.

    `probe` says at which unit the probe sat; else a comment line of the file does, else it was the controller.
    Errors: EvidenceError when it holds no waveform, or the probe's place is not on the record's trunk.
    """
    rows, scan = scope_csv.WaveRows(stream), Scan()
    common = Idle()
    for times, plus, minus in rows:
        scan.feed(times, plus if minus is None else plus - minus)
        if minus is not None:
            common.feed((plus + minus) / 2)
    scan.finish()
    if scan.samples < 50:
        raise EvidenceError(f"only {scan.samples} rows of numbers; export the whole waveform, some thousand samples at least")
    if not scan.end > (scan.start or 0.0):
        raise EvidenceError("the times do not rise; export time in the first column")
    said = probe if probe is not None else rows.layout.probe
    trunk, unit = probe_unit(site, said or "") if site else (None, None)
    decoded = decode(scan.times, scan.signs) if len(scan.times) >= 6 else None
    windows = _chosen(scan, decoded)
    echo = find_echo(windows, cable_of(site, trunk)) if windows else None
    spot = locate(echo, site, trunk, unit) if echo else None
    if echo is not None and spot is not None:  # whether the line ends there is known from the record
        echo = echo._replace(factor=spot.factor, factor_bar=spot.factor_bar)
    driven, mark = driven_levels(scan, decoded)
    idle_v, idle_why = idle_volts(scan, decoded, mark, rows.layout.leads_sure)
    shape, why = shape_of(scan, decoded, echo, driven, idle_v)
    return WaveFindings(
        scan=scan, layout=rows.layout, tally=rows.tally, decoded=decoded, windows=tuple(windows), echo=echo,
        spot=spot, site=site, trunk=trunk, probe=unit, probe_said=bool(said), driven=driven, mark_level=mark,
        idle_v=idle_v, idle_why=idle_why, shape=shape, shape_why=why,
    )  # fmt: skip


def _chosen(scan: Scan, decoded: Decoded | None) -> list[EdgeWindow]:
    """Edges of requests where they can be told, for their sender is known; else those of the strongest sender."""
    windows = scan.windows()
    if decoded is not None:
        spans = [(f.start, f.end) for f in decoded.frames if f.is_request]
        # The first edge of a frame may come with the driver being switched on.
        asked = [w for w in windows if any(a + 1e-9 < w.edge < b for a, b in spans)]
        if len(asked) >= 6:
            return one_sender(asked, scan.noise)
    return one_sender(windows, scan.noise)


def driven_levels(scan: Scan, decoded: Decoded | None) -> tuple[float, float]:
    """Settled volts of the driven levels from their middle, and the level of mark."""
    if len(scan.times) < 4:
        return 0.0, 0.0
    before = np.array(scan.before[1:])
    signs = np.array(scan.signs[1:])
    runs = np.diff(np.array(scan.times))
    bit = 1 / decoded.clock.rate if decoded else float(np.percentile(runs, 20))
    short = runs < IDLE_BITS * bit
    high, low = before[short & (signs < 0)], before[short & (signs > 0)]
    if not len(high) or not len(low):
        return 0.0, 0.0
    top, bottom = float(np.median(high)), float(np.median(low))
    return (top - bottom) / 2, bottom if decoded and decoded.inverted else top


def idle_volts(scan: Scan, decoded: Decoded | None, mark: float, leads_sure: bool = False) -> tuple[float | None, str]:
    """The idle voltage in V, or why there is none. With leads that are not sure a negative one says nothing."""
    idle = scan.idle
    if idle.count < LEAST_IDLE:
        return None, "no pause long enough to see the idle level"
    # Frames that stand upright prove the leads; without frames a negative level proves nothing.
    upside_down = decoded.inverted if decoded is not None else idle.mean < -NO_VOLTS
    if upside_down and not leads_sure:
        return None, "the resting level is the negative one: either the probe's leads or the two wires are exchanged; check the leads first"
    if len(scan.times) and abs(mark) > LEAST_MARK_V and abs(idle.mean) > DRIVEN_SHARE * abs(mark):
        return None, "a driver holds the line between the frames, so the pause does not show the bias"
    if not len(scan.times) and abs(idle.mean) > BIAS_MOST_V:
        return None, "the level is that of a driver, not of bias"
    return idle.mean, ""


def shape_of(scan: Scan, decoded: Decoded | None, echo: Echo | None, driven: float, idle_v: float | None) -> tuple[str, str]:
    """The outcome of `scope-look`, or an empty text when the recording does not show it, and why."""
    lasts = scan.end - (scan.start or 0.0)
    if len(scan.times) < 4:
        if scan.idle.mean < -THRESHOLD_V and lasts > HELD_S and not scan.idle.bursts:
            return "held", f"{scan.idle.mean:+.2f} V throughout {1e3 * lasts:.0f} ms"
        return "", "no frame was recorded"
    if 0 < driven < THRESHOLD_V:
        return "held", f"the driven levels settle at ±{driven:.2f} V, under the 200 mV that a receiver needs"
    runs = np.diff(np.array(scan.times))
    if decoded is not None:
        bit = 1 / decoded.clock.rate
        broken = sum(1 for f in decoded.frames if f.bad)
        levels = np.abs(np.array(scan.before[1:]) - (scan.threshold or 0.0))[runs < IDLE_BITS * bit]
        half = float(((levels > HALF_HEIGHT[0] * driven) & (levels < HALF_HEIGHT[1] * driven)).mean()) if len(levels) else 0.0
        if half > HALF_BITS and broken:
            return "collisions", f"{100 * half:.0f} % of the bits stand at half height, {broken} frames are broken"
        short = int((runs < SHORT_BIT * bit).sum())
        if short > max(MOST_SHORT, SHORT_SHARE * len(runs)):
            return "noise-bursts", f"{short} changes are shorter than half a bit"
    elif len(runs) > MOST_UNCLOCKED:
        return "noise-bursts", "the changes fit no bit rate"
    if scan.idle.bursts >= FEWEST_BURSTS:
        return "noise-bursts", f"{scan.idle.bursts} bursts on the idle line, up to {max(abs(scan.idle.low), abs(scan.idle.high)):.2f} V"
    if idle_v is not None and abs(idle_v) < THRESHOLD_V:
        return "idle-floats", f"idle at {1000 * idle_v:+.0f} mV, under the 200 mV that a receiver needs"
    if driven < LOW_SWING_V:
        return "low-swing", f"the driven levels settle at ±{driven:.2f} V"
    if echo is not None and echo.shape != "none":
        if echo.shape == "branch" and min(1.0, 2 * echo.branch / echo.rise) / 3 * (1 + echo.source) >= RINGS:
            return "dips", "a branch cuts a dip behind each edge"
        if echo.factor > 0 and echo.factor * (1 + echo.source) >= RINGS:
            return "ringing", f"an echo lifts each edge by {100 * echo.factor * (1 + echo.source):.0f} %"
        if echo.factor < 0 and -echo.factor * (1 + echo.source) >= RINGS:
            return "dips", f"an echo takes {100 * -echo.factor * (1 + echo.source):.0f} % off each edge"
    return "clean", f"square, ±{driven:.2f} V"
