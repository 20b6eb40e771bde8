"""Oscilloscope recordings of the data pair: characters, levels, edges, echoes and the place that they come from."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import IO, Any, NamedTuple

import numpy as np

from diagnose.evidence.drawing import Curve, CurveMark, Drawing
from diagnose.evidence.reader import Asked, EvidenceError, reader
from diagnose.evidence.report import Report, TakenReading
from diagnose.evidence.scope import sheet as scope_csv
from diagnose.evidence.scope.echo import POOR, SLIGHT, UNCLEAR, Echo, find_echo, mean_edge, one_sender
from diagnose.evidence.scope.echo_model import CablePair, pair_of
from diagnose.evidence.scope.echo_place import EchoPlace, locate, metres_of, velocity
from diagnose.evidence.scope.echo_readings import echo_readings
from diagnose.evidence.scope.scan import IDLE_BITS, EdgeWindow, Idle, Scan
from diagnose.evidence.scope.uart import Decoded, decode, rate_words
from diagnose.evidence.tally import Tally
from diagnose.gauges.bands import awg_of
from diagnose.physics.cable import NOMINAL_IMPEDANCE
from diagnose.physics.trunk import THRESHOLD_V
from diagnose.site.model import Site, Trunk
from diagnose.site.places import FAR, NEAR, Place
from diagnose.source.problems import shown

LOW_SWING_V = 1.0
"""Settled volts between the wires under which the rule base calls a signal small."""
RINGS = 0.1
"""An echo that lifts the edge by this share, or a branch that cuts it so, counts as ringing (common practice, no source)."""
DRIVEN_SHARE = 0.6  # an idle level above this share of the driven one is held by a driver, not by bias
NO_VOLTS = 0.02  # meter offset and pick-up
LEAST_IDLE = 30  # samples
SHOWN_FRAMES = 20
_PROBE_NAMED = re.compile(r"\b(?:trunk \d{1,3} )?(?:unit \d{1,4}|far end|near end|controller)\b")
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


def analyse(stream: IO[bytes], site: Site | None = None, probe: str | None = None) -> WaveFindings:
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
    driven, mark = _driven(scan, decoded)
    idle_v, idle_why = _idle(scan, decoded, mark, rows.layout.leads_sure)
    shape, why = _shape(scan, decoded, echo, driven, idle_v)
    return WaveFindings(
        scan, rows.layout, rows.tally, decoded, tuple(windows), echo, spot, site, trunk, unit, bool(said), driven, mark,
        idle_v, idle_why, shape, why,
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


def _driven(scan: Scan, decoded: Decoded | None) -> tuple[float, float]:
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


def _idle(scan: Scan, decoded: Decoded | None, mark: float, leads_sure: bool = False) -> tuple[float | None, str]:
    """The idle voltage in V, or why there is none. With leads that are not sure a negative one says nothing."""
    idle = scan.idle
    if idle.count < LEAST_IDLE:
        return None, "no pause long enough to see the idle level"
    # Frames that stand upright prove the leads; without frames a negative level proves nothing.
    upside_down = decoded.inverted if decoded is not None else idle.mean < -NO_VOLTS
    if upside_down and not leads_sure:
        return None, "the resting level is the negative one: either the probe's leads or the two wires are exchanged; check the leads first"
    if len(scan.times) and abs(mark) > 0.1 and abs(idle.mean) > DRIVEN_SHARE * abs(mark):
        return None, "a driver holds the line between the frames, so the pause does not show the bias"
    if not len(scan.times) and abs(idle.mean) > 1.5:
        return None, "the level is that of a driver, not of bias"
    return idle.mean, ""


def _shape(scan: Scan, decoded: Decoded | None, echo: Echo | None, driven: float, idle_v: float | None) -> tuple[str, str]:
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
        half = float(((levels > 0.25 * driven) & (levels < 0.7 * driven)).mean()) if len(levels) else 0.0
        if half > 0.08 and broken:
            return "collisions", f"{100 * half:.0f} % of the bits stand at half height, {broken} frames are broken"
        if int((runs < 0.4 * bit).sum()) > max(3, 0.02 * len(runs)):
            return "noise-bursts", f"{int((runs < 0.4 * bit).sum())} changes are shorter than half a bit"
    elif len(runs) > 30:
        return "noise-bursts", "the changes fit no bit rate"
    if scan.idle.bursts >= 3:
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


def _near(value: float, bar: float) -> str:
    digits = 0 if value >= 20 else 1
    rounded_up = math.ceil(bar * 10**digits) / 10**digits
    return f"{value:.{digits}f} m ± {rounded_up:.{digits}f} m"


def limits(a: WaveFindings) -> tuple[str, ...]:
    """What this recording cannot show, and by how much."""
    echo = a.echo
    if echo is None:
        if len(a.scan.times) < 4:
            return ()
        least = metres_of(2 * a.scan.step, velocity(a.site, a.trunk)[0])
        return (
            f"too few clean edges for an echo ({len(a.windows)} usable): record a whole frame with at least ten samples in an edge and bits of "
            f"three edge times and more; with samples {1e9 * a.scan.step:.3g} ns apart nothing nearer than {math.ceil(least)} m could be told",
        )
    factor = velocity(a.site, a.trunk)[0]
    nearest, farthest = metres_of(echo.nearest, factor), metres_of(echo.farthest, factor)
    sampled = 2 * a.scan.step > 1.01 * echo.rise
    why = f"samples stand {1e9 * a.scan.step:.3g} ns apart" if sampled else f"the edge takes {_ns(echo.rise)}"
    if echo.nearest > 1.01 * max(echo.rise, 2 * a.scan.step):
        why += f" and noise is {1000 * a.scan.noise:.0f} mV"
    return (
        f"{why}: nothing nearer than {math.floor(nearest):.0f} m can be told",
        f"seen as far as {farthest:.0f} m; an echo under {100 * echo.least:.0f} % of the edge (reflection factor "
        f"{min(echo.least / max(1 + echo.source, 0.05), 1):.2f}) would not show, and under a factor of {SLIGHT:.2f} none is taken for a fault",
        "a terminator missing at the probe's own place does not show in the sender's own edges",
    )


def _ns(seconds: float) -> str:
    return f"{1e9 * seconds:.0f} ns" if seconds < 2e-6 else f"{1e6 * seconds:.1f} us"


def _echo_words(a: WaveFindings) -> list[str]:
    echo, spot = a.echo, a.spot
    if echo is None:
        return []
    if echo.shape == "none" and (echo.to_delay or echo.fit > UNCLEAR):
        low, high = (metres_of(d, velocity(a.site, a.trunk)[0]) for d in (echo.from_delay, echo.to_delay))
        place = f"between {math.floor(low):.0f} and {math.ceil(high):.0f} m" if low else f"nearer than {math.ceil(high):.0f} m"
        begins = f"; it begins {place}, more exactly" if high else ":"
        return [f"the edge is disturbed, but not as by one fault{begins} no distance can be told"]
    if echo.shape == "none" and echo.slight_delay:
        away = metres_of(echo.slight_delay, velocity(a.site, a.trunk)[0])
        return [f"a small unevenness (factor {echo.slight_factor:+.2f}) at {away:.0f} m, as stations, joints and tolerances of a sound trunk send as well: no fault is told from it"]
    if spot is None or echo.shape == "none":
        return [f"no echo above {100 * echo.least:.0f} % of the edge between the limits below"]
    if echo.delay < echo.nearest:
        return [f"something changes the edge itself: an echo from less than {metres_of(echo.nearest, spot.velocity_factor):.0f} m; where and what cannot be told"]
    at = f"unit {a.probe}" if a.probe is not None else "the probe"
    size = f"factor {echo.factor:+.2f} ± {echo.factor_bar:.2f}" if echo.shape == "step" else f"open branch of {metres_of(2 * echo.branch, spot.velocity_factor):.1f} m"
    words = [f"an echo ({size}) comes back after {1e6 * echo.delay:.3g} us: {_near(spot.metres, spot.bar)} from {at} (95 %)"]
    where = f" at {spot.places[0]}" if spot.places else ""
    if len(spot.places) > 1:
        where += f" (or {', '.join(spot.places[1:4])})"
    near = f", by unit {spot.unit}" if spot.unit is not None and spot.kind not in ("missing terminator", "doubled terminator") else ""
    ohms = "" if spot.kind in ("open", "short", "branch", "missing terminator") else f", as {spot.ohms:.0f} ohm would send"
    words.append(f"{spot.kind}{where}{near}{ohms}" if where or near else f"it looks like: {spot.kind}{ohms}")
    if not spot.velocity_known:
        words.append(f"the record holds no velocity factor: {spot.velocity_factor:.2f} was taken, and its range is in the error bar")
    if echo.second_delay and abs(echo.second_factor) > 0.05:
        words.append(f"a second echo ({echo.second_factor:+.2f}) comes from {metres_of(echo.second_delay, spot.velocity_factor):.0f} m")
    if echo.fit > POOR:
        words.append("the edge's form is not that of this one fault alone; the error bar is widened for it")
    return [*words, *spot.notes]


def says(a: WaveFindings) -> tuple[str, ...]:
    """The findings in sentences."""
    words: list[str] = []
    d = a.decoded
    if d is not None:
        bad = f", {d.bad} of {d.characters} characters broken" if d.bad else ""
        words.append(f"{rate_words(d.clock)}, {d.form()}{'' if d.sure else ' (parity not certain)'}, {len(d.frames)} frames{bad}")
    elif len(a.scan.times) >= 6:
        words.append("the changes fit no bit rate; nothing could be decoded")
    else:
        words.append(f"nobody sends in the {1e3 * (a.scan.end - (a.scan.start or 0)):.3g} ms recorded")
    if a.driven:
        words.append(f"driven levels ±{a.driven:.2f} V" + (f", edges take {_ns(a.echo.rise)} (10 to 90 %)" if a.echo else ""))
    words.append(f"idle {1000 * a.idle_v:+.0f} mV" if a.idle_v is not None else f"idle voltage not taken: {a.idle_why}")
    if a.shape:
        words.append(f"shape: {a.shape}, {a.shape_why}")
    words += _echo_words(a)
    words += limits(a)
    if a.site is not None and a.trunk is not None and not a.probe_said:
        words.append(f"the probe is taken to have sat at the controller, unit {a.probe}; a comment line '# probe: unit 5' or a place given with the file says otherwise")
    if a.scan.gaps:
        words.append(f"the times have {a.scan.gaps} gaps or steps back; edges there are not used")
    if a.scan.more_edges:
        words.append(f"{a.scan.more_edges} further edges were not decoded")
    return tuple(words)


def taken(a: WaveFindings) -> tuple[TakenReading, ...]:
    """The answers to checks that the recording gives."""
    if a.site is None or a.trunk is None or a.probe is None:
        return ()
    unit, lines = f"unit {a.probe}", f"rows 1-{a.tally.understood}"
    found: list[TakenReading] = []
    if a.shape:
        found.append(TakenReading("scope-look", unit, a.shape, a.shape_why, lines))
    if a.idle_v is not None:
        at_end = {a.trunk.units[0]: NEAR, a.trunk.units[-1]: FAR}.get(a.probe)
        because = f"mean of {a.scan.idle.count} samples between frames"
        if at_end is not None:
            found.append(TakenReading("idle-volts", str(Place("trunk-end", a.trunk.number, at_end)), f"{1000 * a.idle_v:.0f} mV", because, lines))
        elif abs(a.idle_v) < NO_VOLTS:
            found.append(TakenReading("pair-volts-at-unit", unit, "none", because, lines))
        elif 0.1 < abs(a.idle_v) < LOW_SWING_V:
            found.append(TakenReading("pair-volts-at-unit", unit, "right-way" if a.idle_v > 0 else "reversed", because, lines))
    if a.echo is not None:
        found += echo_readings(a.echo, a.spot, a.site, a.trunk, a.probe, lines)
    found += _settings(a, lines)
    return tuple(found)


def _settings(a: WaveFindings, lines: str) -> list[TakenReading]:
    """The controller's port settings, as its own requests show them."""
    d, site, trunk = a.decoded, a.site, a.trunk
    if d is None or site is None or trunk is None or not d.clock.standard:
        return []
    here = Place("trunk", trunk.number)
    rate, parity = site.number("trunk.bit-rate", here), site.word("trunk.parity", here)
    asked = [f for f in d.frames if f.is_request]
    if not asked or rate is None:
        return []
    wrong = d.clock.standard != rate or (d.sure and parity is not None and parity != d.parity)
    because = f"requests on the wire at {rate_words(d.clock)}, {d.form()}"
    return [TakenReading("controller-port-shown", str(here), "wrong-serial" if wrong else "as-planned", because, lines)]


def drawings(a: WaveFindings) -> tuple[Drawing, ...]:
    """What can be drawn: the mean edge with the echo marked, and the recording."""
    env = a.scan.envelope
    whole = Drawing("The recording", Curve(a.scan.start or 0.0, a.scan.end, tuple(env.low), tuple(env.high)))
    if not a.windows or a.echo is None:
        return (whole,)
    echo = a.echo
    span = min(max(3.2 * echo.delay, 12 * echo.rise), max(echo.farthest, 6 * echo.rise))
    first, step, mean = mean_edge(a.windows, span)
    values = tuple(float(v) for v in mean)
    marks = [CurveMark(0.0, "edge")]
    if a.spot is not None and echo.shape != "none" and echo.delay >= echo.nearest:
        marks.append(CurveMark(echo.delay, f"echo: {a.spot.kind}, {_near(a.spot.metres, a.spot.bar)}"))
    return Drawing("The mean edge", Curve(first, first + step * len(values), values, values), tuple(marks)), whole


def _frames(d: Decoded | None) -> list[dict[str, Any]]:
    if d is None:
        return []
    return [{"start_s": f.start, "hex": f.data.hex(" "), "crc_good": f.crc_good, "broken": f.bad} for f in d.frames[:SHOWN_FRAMES]]


def figures(a: WaveFindings) -> Mapping[str, Any]:
    """JSON values; see docs/evidence/waveform.md."""
    d, echo, spot = a.decoded, a.echo, a.spot
    out: dict[str, Any] = {
        "samples": a.scan.samples, "from_s": a.scan.start, "to_s": a.scan.end, "step_s": a.scan.step, "noise_v": a.scan.noise,
        "edges": len(a.scan.times) + a.scan.more_edges, "driven_v": a.driven, "idle_v": a.idle_v,
        "idle_sigma_v": a.scan.idle.sigma, "layout": scope_csv.describe(a.layout), "probe_unit": a.probe, "frames": _frames(d),
    }  # fmt: skip
    if d is not None:
        out |= {
            "bit_rate": d.clock.rate, "standard_rate": d.clock.standard, "form": d.form(), "form_sure": d.sure, "inverted": d.inverted,
            "characters": d.characters, "broken_characters": d.bad, "jitter_bits": d.clock.scatter,
        }  # fmt: skip
    if echo is not None:
        out["edge"] = {
            "rise_s": echo.rise, "overshoot": echo.overshoot, "ringing_period_s": echo.ring_s, "settles": echo.settles,
            "edges_used": echo.edges, "source_factor": echo.source, "nearest_s": echo.nearest, "farthest_s": echo.farthest,
            "least_factor": echo.least, "fit": echo.fit,
        }  # fmt: skip
        if spot is not None and echo.delay >= echo.nearest:
            out["echo"] = {
                "kind": spot.kind, "metres": spot.metres, "bar_m": spot.bar, "bar_velocity_m": spot.velocity_bar, "delay_s": echo.delay,
                "delay_bar_s": echo.delay_bar, "factor": echo.factor, "factor_bar": echo.factor_bar, "ohms": spot.ohms if math.isfinite(spot.ohms) else None,
                "branch_m": metres_of(2 * echo.branch, spot.velocity_factor) if echo.shape == "branch" else None,
                "velocity_factor": spot.velocity_factor, "velocity_known": spot.velocity_known, "places": list(spot.places), "unit": spot.unit,
            }  # fmt: skip
    return out


def report(a: WaveFindings) -> Report:
    """The analysis as every reader gives it."""
    title = f"Oscilloscope recording, {a.scan.samples} samples" + (f" at unit {a.probe}" if a.probe is not None else "")
    return Report("waveform", title, says(a), taken(a), figures(a), a.tally.understood, a.tally.not_understood, tuple(a.tally.samples), drawings(a))


@reader("waveform", "Oscilloscope recording (CSV)", scope_csv.recognise, ("unit", "trunk-end", "controller"))
def read(stream: IO[bytes], asked: Asked) -> Report:
    """Read a recording; the probe sat where was given, else where its name or a comment line says, else at the controller."""
    named = _PROBE_NAMED.search(re.sub(r"[\s_-]+", " ", asked.name.lower()))
    probe = str(asked.at) if asked.at else asked.point or (named.group(0) if named else None)
    return report(analyse(stream, asked.site, probe))


__all__ = ["WaveFindings", "analyse", "cable_of", "drawings", "figures", "limits", "probe_unit", "read", "report", "says", "taken"]
