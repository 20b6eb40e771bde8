"""The figures in docs/how-it-decides.md are those of the code and of the rule base."""

from __future__ import annotations

import importlib
import math
import re
from pathlib import Path
from typing import Any

import pytest

from diagnose.knowledge.load import load

TEXT = (Path(__file__).resolve().parents[2] / "docs/how-it-decides.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| `(exp\()?(\w+(?:\.\w+)+)\.(\w+)(?:\[\"([\w-]+)\"\])?\)?` \| ([\d.]+) \|$", TEXT, re.MULTILINE)


@pytest.mark.parametrize("row", ROWS, ids=[" ".join(r[2:4]).strip() for r in ROWS])
def test_constant(row: tuple[str, str, str, str, str]) -> None:
    log, module, name, key, value = row
    constant: Any = getattr(importlib.import_module(f"diagnose.{module}"), name)
    constant = constant[key] if key else constant
    assert float(value) == pytest.approx(math.exp(constant) if log else float(constant), rel=1e-9)


def test_every_constant_that_the_text_names_is_in_the_table() -> None:
    named = set(re.findall(r"`([A-Z][A-Z_]+)`", TEXT))
    assert named
    assert named <= {name for _, _, name, _, _ in ROWS}


def test_the_values_in_the_sentences_are_those_of_the_table() -> None:
    """Where a sentence gives a figure and the name of its constant in one breath, they agree."""
    values = {name: float(value) for _, _, name, key, value in ROWS if not key}
    sentences = re.split(r"(?<=[.:])\s", TEXT.split("## The constants")[0])
    checked = 0
    for sentence in sentences:
        for part in re.findall(r"[^`]*\(`[A-Z_]+`\)", sentence):
            name = re.findall(r"`([A-Z_]+)`", part)[-1]
            figures = [float(x) for x in re.findall(r"(?<![\w.])\d+(?:\.\d+)?", part)]
            percents = [float(x) / 100 for x in re.findall(r"(\d+(?:\.\d+)?) %", part)]
            if name in values and figures:
                assert any(x == pytest.approx(values[name]) for x in (*figures, *percents)), part
                checked += 1
    assert checked >= 12


def test_the_words_are_those_of_the_rule_base() -> None:
    words = {w: float(x) for w, x in re.findall(r"^\| (\w+) \| (0\.\d+) \|$", TEXT, re.MULTILINE)}
    assert words == dict(load(cache=False).scales["how-often"].words)
