"""Curves of a recording: the mean edge with the echo marked, and the whole."""

from __future__ import annotations

from diagnose.evidence.drawing import Curve, CurveMark, Drawing
from diagnose.evidence.scope.echo_stack import mean_edge
from diagnose.evidence.scope.find import WaveFindings
from diagnose.evidence.scope.say import distance_text


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
        marks.append(CurveMark(echo.delay, f"echo: {a.spot.kind}, {distance_text(a.spot.metres, a.spot.bar)}"))
    return Drawing("The mean edge", Curve(first, first + step * len(values), values, values), tuple(marks)), whole
