"""Curves in plain characters and as SVG."""

from __future__ import annotations

import json
import math
import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.evidence.drawing import (
    Curve,
    CurveMark,
    Drawing,
    columns,
    from_json,
    kept,
    to_json,
)
from diagnose.report.plot import sketch, svg

DECAY = [2.0 - 4.0 * math.exp(-k / 40) for k in range(300)]
TRACE = Curve(-1e-6, 5e-6, DECAY, DECAY)
MARKS = (CurveMark(0.0, "edge"), CurveMark(3.03e-6, "echo: missing terminator, 301 m ± 3 m"))


@pytest.mark.parametrize("width", [20, 40, 72, 120])
def test_sketch_keeps_its_width(width: int) -> None:
    lines = sketch(TRACE, MARKS, width)
    assert max(map(len, lines)) <= width
    assert any("echo" in line for line in lines)
    assert all(c.isascii() or c in "±" for line in lines for c in line)


def test_sketch_shows_the_curve_where_it_is() -> None:
    lines = sketch(Curve(0.0, 1e-3, [0.0] * 50 + [1.0] * 50, [0.0] * 50 + [1.0] * 50), [CurveMark(0.75e-3, "here")], 59, 7)
    assert lines[0].rstrip().endswith("-" * 20)
    assert lines[0][9:30].strip() == ""
    assert lines[7].index("1") == 9 + 37
    assert lines[-1] == "1 here"
    assert sketch(Curve(0, 0, [], []), (), 10)[0]
    assert sketch(Curve(0, 1, [math.nan], [math.nan]))


def test_svg_is_one_safe_document() -> None:
    text = svg(TRACE, [*MARKS, CurveMark(0.0, "<script>alert(1)</script>\x1b")], title="<b>&\"'")
    root = ElementTree.fromstring(text)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    tags = {e.tag.split("}")[1] for e in root.iter()}
    assert tags <= {"svg", "title", "rect", "text", "line", "polyline"}
    assert "echo: missing terminator" in text
    assert not re.search(r"<script|href|url\(|on\w+=|\x1b", text)
    # The mark of the echo stands at its delay.
    at = [float(e.get("x1", 0)) for e in root.iter() if e.get("stroke-dasharray")]
    expected = 64 + (3.03e-6 - TRACE.start) / (TRACE.end - TRACE.start) * (900 - 64 - 16)
    assert any(abs(x - expected) < 0.2 for x in at)


def test_times_are_told_in_a_fitting_unit() -> None:
    hours = Curve(0.0, 5 * 3600, [1.0, 2.0], [1.0, 2.0], "A")
    assert "5 h" in svg(hours)
    assert " A</text>" in svg(hours)
    assert sketch(hours)[-1].endswith("5 h")
    assert sketch(Curve(0, 600, [1, 2], [1, 2]))[-1].endswith("10 min")


def test_columns_keep_the_extremes() -> None:
    values = [0.0] * 1000
    values[777] = 9.0
    assert max(high for _, high in columns(Curve(0, 1, values, values), 10)) == 9.0
    assert columns(Curve(0, 1, [], []), 10) == []


def test_a_kept_drawing_comes_back() -> None:
    drawing = Drawing("The mean edge", Curve(0.0, 1e-6, [0.0, math.nan, 2.0], [1.0, math.nan, 3.0]), MARKS)
    value = json.loads(json.dumps(kept([drawing])[0], allow_nan=False))
    back = from_json(value)
    assert back is not None
    assert back.title == drawing.title
    assert list(back.trace.low)[::2] == [0.0, 2.0]
    assert math.isnan(back.trace.low[1])
    assert back.marks == MARKS


def test_a_long_curve_is_kept_short() -> None:
    long = Curve(0.0, 1.0, [float(k) for k in range(100_000)], [float(k) for k in range(100_000)])
    assert len(to_json(Drawing("x", long))["low"]) == 600
    assert len(json.dumps(kept([Drawing("x", long)] * 9))) < 100_000


VALUES = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(st.sampled_from(["title", "from_s", "to_s", "low", "high", "marks", "unit", "at_s", "text"]), inner, max_size=9),
    max_leaves=20,
)


@given(VALUES)
def test_what_is_no_drawing_is_left_out(value: object) -> None:
    drawing = from_json(value)
    if drawing is not None:
        assert ElementTree.fromstring(svg(drawing.trace, drawing.marks, drawing.title)) is not None
        assert all(line.isprintable() for line in sketch(drawing.trace, drawing.marks, 40))


@given(
    st.lists(st.floats(), min_size=1, max_size=30),
    st.floats(-1e290, 1e290),
    st.floats(0, 1e290),
    st.text(max_size=30),
)
def test_any_curve_can_be_drawn(values: list[float], start: float, span: float, text: str) -> None:
    drawing = from_json(
        {
            "title": text, "from_s": start, "to_s": start + span, "low": values, "high": values, "unit": text,
            "marks": [{"at_s": start, "text": text}],
        }
    )
    if drawing is not None:
        assert ElementTree.fromstring(svg(drawing.trace, drawing.marks, drawing.title)) is not None
        assert all(line.isprintable() and len(line) <= 40 for line in sketch(drawing.trace, drawing.marks, 40))
