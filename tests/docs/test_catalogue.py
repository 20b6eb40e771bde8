"""docs/catalogue.md is what the rule base makes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from diagnose.knowledge.load import load
from diagnose.report.catalogue import FAMILIES, catalogue, family

ROOT = Path(__file__).resolve().parents[2]


def test_the_catalogue_is_current() -> None:
    kept = (ROOT / "docs/catalogue.md").read_text(encoding="utf-8")
    made = catalogue(load(cache=False))
    if kept != made:
        pairs = enumerate(zip(kept.splitlines(), made.splitlines(), strict=False), 1)
        line = next((n for n, (old, new) in pairs if old != new), 0)
        pytest.fail(
            f"docs/catalogue.md is not that of the rule base (line {line or 'after the last'}); "
            "make it anew: python -m diagnose.report.catalogue > docs/catalogue.md"
        )


def test_every_fault_is_in_it_with_all_its_parts() -> None:
    k = load(cache=False)
    text = catalogue(k)
    for fault in k.faults.values():
        entry = text.split(f'<a id="{fault.id}"></a>', 1)[1].split("<a id=", 1)[0].split("\n## ", 1)[0]
        assert fault.title in entry
        assert fault.says in entry
        assert k.remedies[fault.remedy].title in entry
        for show in fault.shows:
            outcome = k.checks[show.check].outcome(show.outcome)
            assert outcome is not None
            assert f"{k.checks[show.check].title}: {outcome.says}" in entry
        for part in ("- Where:", "- Shows:", "- Who:", "- Proof:", "- Looks the same:", "- Sources:"):
            assert entry.count(part) == 1


def test_every_family_has_a_name() -> None:
    assert {family(f.spot) for f in load(cache=False).faults.values()} <= set(FAMILIES)


def test_the_command_writes_it() -> None:
    run = subprocess.run([sys.executable, "-m", "diagnose.report.catalogue"], cwd=ROOT, capture_output=True, check=True)
    assert run.stdout.decode() == catalogue(load(cache=False))


def test_every_danger_is_in_it_with_what_raises_and_ends_it() -> None:
    k = load(cache=False)
    text = catalogue(k)
    for d in k.dangers.values():
        entry = text.split(f'<a id="danger-{d.id}"></a>', 1)[1].split("<a id=", 1)[0].split("\n## ", 1)[0]
        for r in d.raised_by:
            assert f"- Raised by {k.checks[r.check].title}: " in entry
        for either in d.proofs:
            assert " or ".join(k.checks[c].title for c in either) in entry
        assert "{" not in entry
