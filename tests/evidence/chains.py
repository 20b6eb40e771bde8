"""Step responses of whole chains by a network library: skin effect, stations on short drops, other forms of edge.

A second reference beside the circuit simulator. Nothing of the project's own line model is used here: the library
cascades two-ports at real frequencies, and a plain Fourier sum of a slow square wave makes time of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
IMPEDANCE, SPEED = 120.0, 0.66 * 299_792_458
LOOP = 0.1684  # ohm per metre, 24 AWG, both wires
RADIUS, COPPER, VACUUM = 0.2553e-3, 17.241e-9, 4e-7 * np.pi
SPAN, HARMONICS = 100e-6, 6000  # half a period in s; the highest harmonic, 30 MHz


class Drop(NamedTuple):
    """A station on the trunk: metres from the driver, of drop, its resistance in ohm and capacitance in F."""

    at: float
    drop: float
    ohms: float
    farads: float


def _media(rf: Any, skin: bool, lossy: bool) -> tuple[Any, Floats]:
    n = np.arange(1, HARMONICS + 1, 2)
    f = n / (2 * SPAN)
    frequency = rf.Frequency.from_f(f, unit="hz")
    w = 2 * np.pi * f
    series = np.zeros(len(f), dtype=complex)
    if lossy and not skin:
        series += LOOP
    elif lossy:
        # A round wire's internal impedance by Bessel functions.
        from scipy.special import ive

        k = np.sqrt(1j * w * VACUUM / COPPER) * RADIUS
        series = 2 * k * COPPER / (2 * np.pi * RADIUS**2) * ive(0, k) / ive(1, k)
    inductance = IMPEDANCE / SPEED + series.imag / w
    media = rf.media.DistributedCircuit(frequency, z0_port=IMPEDANCE, C=1 / (IMPEDANCE * SPEED), L=inductance, R=series.real, G=0.0)
    return media, w


def _edge(w: Floats, form: str, rise: float) -> Any:
    """Spectrum of an edge of a form and 10 to 90 % rise time in s, its middle at zero."""
    if form == "ramp":
        return np.sinc(w * rise / 0.8 / 2 / np.pi)
    if form == "gauss":
        return np.exp(-((w * rise / 2.563) ** 2) / 2)
    if form == "cosine":  # a raised cosine rises over 0.59 of its length
        x = w * rise / 0.59 / 2 / np.pi
        return np.sinc(x) / np.where(np.abs(x - 1) < 1e-9, 1e9, 1 - x**2)
    if form == "exponential":
        lag = rise / 2.197
        return np.exp(1j * w * lag * np.log(2)) / (1 + 1j * w * lag) * np.sinc(w * 0.1 * rise / 2 / np.pi)
    raise ValueError(form)


def response(
    metres: float, *, end: float | None = 120.0, across: Sequence[tuple[float, float]] = (),
    series: Sequence[tuple[float, float]] = (), branches: Sequence[Drop] = (),
    lossy: bool = True, skin: bool = True, form: str = "ramp", rise: float = 80e-9, source: float = 40.0, near: float = 120.0,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Seconds from the middle of the edge, and volts at the driver for a step of one volt of an open source.

    `end` is the resistor in ohm at the far end (None: nothing), `across` and `series` resistors (metres, ohm) on the way,
    `branches` stations or long branches. Errors: ValueError for an unknown form.
    """
    import skrf as rf

    media, w = _media(rf, skin, lossy)
    parts = sorted(
        (
            [(m, "across", ohms) for m, ohms in across]
            + [(m, "series", ohms) for m, ohms in series]
            + [(b.at, "branch", b) for b in branches]
        ),
        key=lambda p: p[0],
    )
    network = None
    at = 0.0
    for where, what, value in parts:
        step = media.line(where - at, "m") if where > at else None
        if what == "across":
            piece = media.shunt(media.resistor(value) ** media.short())
        elif what == "series":
            piece = media.resistor(value)
        else:
            admittance = 1 / value.ohms + 1j * w * value.farads
            load = media.load(((1 / admittance) - IMPEDANCE) / ((1 / admittance) + IMPEDANCE))
            piece = media.shunt(media.line(value.drop, "m") ** load if value.drop > 0 else load)
        for part in (step, piece):
            network = part if network is None else network ** part if part is not None else network
        at = where
    rest = media.line(metres - at, "m") if metres > at else None
    if rest is not None:
        network = rest if network is None else network**rest
    assert network is not None
    ohms = 1e7 if end is None else end
    total = network ** media.load((ohms - IMPEDANCE) / (ohms + IMPEDANCE) * np.ones(len(w)))
    s = total.s[:, 0, 0]
    seen = 1 / ((1 - s) / (1 + s) / IMPEDANCE + 1 / near)
    spectrum = seen / (seen + source) * _edge(w, form, rise)
    # Odd harmonics of a square wave alone carry the step; two half periods of opposite sign.
    count = 4 * HARMONICS
    bins = np.zeros(count // 2 + 1, dtype=complex)
    n = np.arange(1, HARMONICS + 1, 2)
    bins[n] = spectrum * (2 / (1j * np.pi * n)) * count / 2
    wave = np.fft.irfft(bins, count)
    t = np.arange(count) * (2 * SPAN / count)
    wave = np.roll(wave, count // 4)
    t = t - SPAN / 2
    keep = (t > -2e-6) & (t < SPAN / 2 - 1e-6)
    settled = float(np.mean(wave[keep][:50]))
    return t[keep], wave[keep] - settled
