"""A curve drawn in plain characters and as one SVG file. Pure functions; nothing in a drawing can run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from diagnose.evidence.drawing import Curve, CurveMark, columns
from diagnose.source.problems import one_line

TIMES = ((7200.0, "h"), (300.0, "min"), (1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns"))
LEAST_WIDTH, MOST_WIDTH = 20, 400


def _finite(trace: Curve) -> tuple[float, float]:
    values = [v for v in (*trace.low, *trace.high) if abs(v) < 1e290]
    if not values:
        return -1.0, 1.0
    low, high = min(values), max(values)
    room = max((high - low) * 0.05, 1e-6 * max(abs(low), abs(high)), 1e-3)
    return low - room, high + room


def _level(value: float, span: float) -> str:
    """A value with as many digits as seven places and the span allow."""
    return f"{value:.2f}" if span < 100 else f"{value:.0f}"


def _scale(span: float) -> float:
    """Seconds in the unit that a span is told in."""
    least, unit = next(((x, u) for x, u in TIMES if span >= x), TIMES[-1])
    return {"h": 3600.0, "min": 60.0}.get(unit, least)


def _time(value: float, span: float) -> str:
    unit = next((u for x, u in TIMES if span >= x), TIMES[-1][1])
    return f"{value / _scale(span):.3g} {unit}"


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round values (1, 2 or 5 times a power of ten apart) from `low` to `high`, at most `most` of them.

    >>> ticks(-0.26, 5.23)
    [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    """
    span = high - low
    if not 1e-300 < span < 1e300 or span < 1e-9 * max(abs(low), abs(high)):
        return [low]
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(power * k for k in (1, 2, 5, 10, 20) if math.floor(high / (power * k)) - math.ceil(low / (power * k)) < most)
    return [round(k * step, 12 - math.floor(math.log10(step))) for k in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _moments(trace: Curve) -> list[float]:
    """Round times for the axis, in the unit in which they are told."""
    span = trace.end - trace.start
    scale = _scale(span)
    return [t * scale for t in ticks(trace.start / scale, trace.end / scale)]


def sketch(trace: Curve, marks: Sequence[CurveMark] = (), width: int = 72, height: int = 12) -> list[str]:
    """Lines of plain characters, none longer than `width` (20 to 400): the curve, a row of marks, the times, the marks' texts.

    Errors: none; widths and heights outside the limits are brought within.
    """
    width, height = min(max(width, LEAST_WIDTH), MOST_WIDTH), min(max(height, 4), 60)
    low, high = _finite(trace)
    gutter = 8
    inner = width - gutter - 1
    rows = [[" "] * inner for _ in range(height)]

    def row(volt: float) -> int:
        return min(max(round((high - volt) / (high - low) * (height - 1)), 0), height - 1)

    if low < 0 < high:
        rows[row(0.0)] = ["."] * inner
    previous: tuple[int, int] | None = None
    for k, (a, b) in enumerate(columns(trace, inner)):
        if not math.isfinite(a):
            previous = None
            continue
        top, bottom = row(b), row(a)
        if previous is not None:  # join the columns, so that a steep edge is a line
            top, bottom = min(top, previous[1]), max(bottom, previous[0])
        for r in range(top, bottom + 1):
            rows[r][k] = "|" if bottom - top > 1 else "-"
        previous = row(b), row(a)
    lines = []
    for r, cells in enumerate(rows):
        label = f"{_level(high - (high - low) * r / (height - 1), high - low):>7}" if r in (0, height // 2, height - 1) else " " * 7
        lines.append(f"{label[:gutter - 1]} |" + "".join(cells))
    span = trace.end - trace.start
    pointers = [" "] * inner
    texts = []
    for n, mark in enumerate(marks[:9], 1):
        if span > 0 and trace.start <= mark.at <= trace.end:
            pointers[min(int((mark.at - trace.start) / span * inner), inner - 1)] = str(n)
        texts += _wrapped(f"{n} {one_line(mark.text, 200)}", width)
    if marks:
        lines.append(" " * gutter + "^" + "".join(pointers))
    first, last = _time(trace.start, span), _time(trace.end, span)
    lines.append((" " * (gutter + 1) + first + " " * max(1, inner - len(first) - len(last)) + last)[:width])
    return [line.rstrip() for line in (*lines, *texts)]


def _wrapped(text: str, width: int) -> list[str]:
    lines: list[str] = []
    line = ""
    for word in text.split():
        while len(word) > width:
            lines, line, word = [*lines, *([line] if line else []), word[:width]], "", word[width:]
        if line and len(line) + 1 + len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line] if line else lines


def svg(trace: Curve, marks: Sequence[CurveMark] = (), title: str = "Waveform", width: int = 900, height: int = 360) -> str:
    """One standalone SVG document of `width` by `height` pixels: curve, axes, marks as dashed lines with their texts.

    Errors: none. No script, no link, no style from elsewhere; foreign text is escaped.
    """
    left, right, top, bottom = 64, 16, 40, 44
    low, high = _finite(trace)
    span = max(trace.end - trace.start, 1e-15)
    inner_w, inner_h = width - left - right, height - top - bottom

    def x(t: float) -> float:
        return left + (t - trace.start) / span * inner_w

    def y(v: float) -> float:
        return top + (high - v) / (high - low) * inner_h

    name = escape(one_line(title, 120))
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" '
        f'aria-label="{name}" font-family="sans-serif" font-size="12">',
        f'<title>{name}</title><rect width="{width}" height="{height}" fill="#fff"/>',
        f'<text x="{left}" y="18" font-size="14" fill="#111">{name}</text>',
    ]
    for volt in ticks(low, high):
        parts.append(
            f'<line x1="{left}" x2="{width - right}" y1="{y(volt):.1f}" y2="{y(volt):.1f}" stroke="#ddd"/>'
            f'<text x="{left - 6}" y="{y(volt) + 4:.1f}" text-anchor="end" '
            f'fill="#333">{_level(volt, high - low)} {escape(one_line(trace.unit, 8))}</text>'
        )
    for when in _moments(trace):
        anchor = "end" if x(when) > width - right - 30 else "middle"
        parts.append(f'<text x="{x(when):.1f}" y="{height - 24}" text-anchor="{anchor}" fill="#333">{escape(_time(when, span))}</text>')
    drawn = columns(trace, min(inner_w, len(trace.low)))
    run: list[str] = []
    for k, (a, b) in enumerate([*drawn, (math.nan, math.nan)]):
        if math.isfinite(a):
            at = left + (k + 0.5) / max(len(drawn), 1) * inner_w
            run += [f"{at:.1f},{y(a):.1f}"] if b - a < (high - low) * 0.004 else [f"{at:.1f},{y(a):.1f}", f"{at:.1f},{y(b):.1f}"]
        elif run:
            parts.append(f'<polyline points="{" ".join(run)}" fill="none" stroke="#06c" stroke-width="1.4"/>')
            run = []
    for n, mark in enumerate(marks[:9]):
        if trace.start <= mark.at <= trace.end:
            at = x(mark.at)
            anchor = "end" if at > width * 0.6 else "start"
            shift = -5 if anchor == "end" else 5
            parts.append(
                f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{top}" y2="{height - bottom}" stroke="#c00" stroke-dasharray="5 3"/>'
                f'<text x="{at + shift:.1f}" y="{top + 12 + 15 * n}" text-anchor="{anchor}" fill="#900">{escape(one_line(mark.text, 120))}</text>'
            )
    return "\n".join([*parts, "</svg>", ""])
