"""A recording in sentences and figures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from diagnose.evidence.scope import read as scope_csv
from diagnose.evidence.scope.echo_judge import POOR, SLIGHT, UNCLEAR
from diagnose.evidence.scope.echo_place import (
    metres_of,
    velocity,
)
from diagnose.evidence.scope.find import WaveFindings
from diagnose.evidence.scope.uart import Decoded, rate_words

SHOWN_FRAMES = 20


def distance_text(value: float, bar: float) -> str:
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
        return [
            f"a small unevenness (factor {echo.slight_factor:+.2f}) at {away:.0f} m, as stations, joints and "
            "tolerances of a sound trunk send as well: no fault is told from it"
        ]
    if spot is None or echo.shape == "none":
        return [f"no echo above {100 * echo.least:.0f} % of the edge between the limits below"]
    if echo.delay < echo.nearest:
        return [
            "something changes the edge itself: an echo from less than "
            f"{metres_of(echo.nearest, spot.velocity_factor):.0f} m; where and what cannot be told"
        ]
    at = f"unit {a.probe}" if a.probe is not None else "the probe"
    size = (
        f"factor {echo.factor:+.2f} ± {echo.factor_bar:.2f}"
        if echo.shape == "step"
        else f"open branch of {metres_of(2 * echo.branch, spot.velocity_factor):.1f} m"
    )
    words = [f"an echo ({size}) comes back after {1e6 * echo.delay:.3g} us: {distance_text(spot.metres, spot.bar)} from {at} (95 %)"]
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
        words.append(
            f"the probe is taken to have sat at the controller, unit {a.probe}; a comment line '# probe: "
            "unit 5' or a place given with the file says otherwise"
        )
    if a.scan.gaps:
        words.append(f"the times have {a.scan.gaps} gaps or steps back; edges there are not used")
    if a.scan.more_edges:
        words.append(f"{a.scan.more_edges} further edges were not decoded")
    return tuple(words)


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
                "delay_bar_s": echo.delay_bar, "factor": echo.factor, "factor_bar": echo.factor_bar,
                "ohms": spot.ohms if math.isfinite(spot.ohms) else None,
                "branch_m": metres_of(2 * echo.branch, spot.velocity_factor) if echo.shape == "branch" else None,
                "velocity_factor": spot.velocity_factor, "velocity_known": spot.velocity_known, "places": list(spot.places), "unit": spot.unit,
            }  # fmt: skip
    return out
