"""Which rules are read inside a checkout."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from diagnose.cli import main
from diagnose.knowledge.checkout import checkout, here, is_of_here, rules_here
from diagnose.knowledge.load import shipped_folder

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def other(tmp_path: Path) -> Path:
    """Another checkout of the project, with one check misspelt."""
    root = tmp_path / "other"
    shutil.copytree(shipped_folder(), root / "rules")
    shutil.copy(ROOT / "pyproject.toml", root)
    (root / "tests" / "worked").mkdir(parents=True)
    (root / "tests" / "sites").mkdir()
    shutil.copy(ROOT / "tests" / "sites" / "harbour-12.yaml", root / "tests" / "sites")
    return root


WORKED = """\
- case: silent behind a cut
  site: harbour-12
  readings:
    - {check: unit-answers, at: 1-5, outcome: answers}
    - {check: unit-answers, at: 6-12, outcome: silent}
    - {check: segment-continuity, at: segment 5-6, outcome: both-open}
  first: {fault: FAULT, at: segment 5-6}
"""


def test_a_checkout_is_known_by_its_rules_and_its_project(other: Path, tmp_path: Path) -> None:
    assert checkout(other) == checkout(other / "rules" / "trunk") == other
    assert checkout(tmp_path) is None
    (other / "pyproject.toml").write_text("[project]\nname = 'something-else'\n", encoding="utf-8")
    assert checkout(other) is None
    (other / "pyproject.toml").write_text("not toml [", encoding="utf-8")
    assert checkout(other) is None


def test_here(other: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(ROOT)
    assert here() == ROOT
    assert rules_here() is None  # they are the program's own, nothing has to be said
    monkeypatch.chdir(other / "rules" / "trunk")
    assert rules_here() == Path("..")
    assert is_of_here(other / "rules")
    assert not is_of_here(shipped_folder())
    monkeypatch.chdir(tmp_path)
    assert here() is rules_here() is None


def test_inside_another_checkout_its_rules_are_read_and_that_is_said(
    other: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(other)
    file = other / "rules" / "trunk" / "faults-termination.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace("check: scope-look", "check: scope-lok", 1), encoding="utf-8")
    assert main(["rules", "check"]) == 2
    caught = capsys.readouterr()
    assert "did you mean 'scope-look'?" in caught.out
    assert caught.out.startswith("rules/trunk/faults-termination.yaml:")
    assert f"reading the rules of this checkout, {other / 'rules'}" in caught.err
    assert "Read from" not in caught.out
    assert main(["rules", "check", "--rules", str(shipped_folder())]) == 0
    caught = capsys.readouterr()
    assert caught.err == ""
    assert str(shipped_folder()) in caught.out.replace("\n", "")


def test_outside_it_is_said_which_folder_was_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["rules", "check"]) == 0
    caught = capsys.readouterr()
    assert caught.err == ""
    assert f"Read from {shipped_folder()}." in " ".join(caught.out.split())
    monkeypatch.chdir(ROOT)
    assert main(["rules", "check"]) == 0
    assert "Read from" not in capsys.readouterr().out


def test_worked_cases_are_run_without_pytest(other: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(other)
    assert main(["rules", "test"]) == 2
    assert "no worked cases here" in capsys.readouterr().err
    file = other / "tests" / "worked" / "trunk.yaml"
    file.write_text(WORKED.replace("FAULT", "trunk-pair-open"), encoding="utf-8")
    assert main(["rules", "test"]) == 0
    assert "1 worked case: all as expected." in capsys.readouterr().out
    file.write_text(WORKED.replace("FAULT", "bias-missing"), encoding="utf-8")
    assert main(["rules", "test", "tests/worked/trunk.yaml"]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "tests/worked/trunk.yaml:1: silent behind a cut" in out
    assert "expected first bias-missing at segment 5-6" in out
    assert "got trunk-pair-open" in out
    file.write_text(WORKED.replace("readings", "reading").replace("harbour-12", "harbor-12"), encoding="utf-8")
    assert main(["rules", "test"]) == 2
    err = capsys.readouterr().err
    assert "trunk.yaml:3:" in err
    assert "unknown key 'reading'" in err
    assert "there is no record harbor-12.yaml" in err


def test_selfplay_names_what_is_missed(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(ROOT)
    code = main(["rules", "selfplay", "mill-2", "--every", "60"])
    out = capsys.readouterr().out
    assert code == (0 if ": 0 missed." in out else 1)
    assert " hidden: " in out
    assert main(["rules", "selfplay", "mill"]) == 2
    assert "did you mean 'mill-2'?" in capsys.readouterr().err
