"""A new kind of place is one row, its facts and its rules."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from diagnose.site.places import KINDS, around, sections, visible

ROOT = Path(__file__).resolve().parents[2]


def test_a_kind_added_by_its_row_alone_is_known_everywhere(tmp_path: Path) -> None:
    """Record, facts, relations, checker, suspects, the gate, the shell and the catalogue: in a process of its own, with a sub-panel."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "DIAGNOSE_STATE": str(tmp_path / "state"), "XDG_CACHE_HOME": str(tmp_path / "cache")}
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "site" / "new_kind.py"), str(ROOT / "rules"), str(tmp_path)],
        env=env, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["problems"] == []
    assert told["places"] == ["sub-panel 1", "sub-panel 2"]
    assert told["fact at unit 5"] == "outdoors"
    assert told["here"] == [f"sub-panel {1 + (n > 3)} unit {n}" for n in range(1, 7)]
    assert told["first"] == ["sub-panel-left-off", "sub-panel 2"]
    assert told["stored"] == ["sub-panel 2"]
    assert told["asked"]
    assert told["catalogued"]
    assert told["stopped beside"]
    assert told["at one unit"] == [[2], [5]]
    assert [len(lines) for lines in told["refused"]] == [1, 1, 1, 1]
    for lines, words in zip(told["refused"], ("without its 'unit'", "no unit 9", "wants the one unit", "units"), strict=True):
        assert words in lines[0]
    assert told["lifts"] == ["site", "panel 1", *(f"unit {n}" for n in range(1, 7))]  # work at a new kind ends no danger of the whole site


@pytest.mark.parametrize("kind", KINDS)
def test_rows_name_kinds(kind: str) -> None:
    row = KINDS[kind]
    assert row.name == kind
    assert {*row.sees, *row.seen_from, *row.around} <= set(KINDS)
    assert "site" in visible(kind)
    assert kind in around(kind)
    assert kind in visible(kind) or kind == "segment"
    assert (kind in sections()) == row.has_facts
