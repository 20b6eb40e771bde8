"""The command line as its users run it: exit codes, one line for what is wrong, JSON, pipes."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from diagnose.cli import main
from diagnose.commandline.table import COMMANDS
from diagnose.shell.desk import Desk
from tests.shell.sites import HARBOUR, PYTHON, ROOT, environment, flat

CASE = f"""case: 1
title: Units beyond five are silent
install-record: {HARBOUR}
role: technician
log:
  - {{check: danger-signs, at: all, answer: none}}
  - {{check: unit-answers, at: 6-12, answer: silent, complaint: yes}}
  - {{check: unit-answers, at: 1-5, answer: answers}}
"""
HIDDEN = """hidden: [{fault: HIDDEN, at: 5-6}]
expect: {fault: EXPECTED, at: 5-6, confidence: 0.5}
"""


def run(folder: Path, *words: str, typed: str = "", **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [PYTHON, "-m", "diagnose", *words],
        input=typed,
        capture_output=True,
        text=True,
        cwd=folder,
        timeout=60,
        env=environment(folder, **more),
        encoding="utf-8",
        check=False,
    )


def here(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Run in this process: code, stdout, stderr."""
    code = main(list(words))
    got = capsys.readouterr()
    return code, got.out, got.err


@pytest.fixture(autouse=True)
def own_files(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, warm: Desk) -> None:
    """Files of its own for each test; the rule base and its assessor are made once for all of them."""

    class Shared(Desk):
        def __init__(self, store: str | None = None, rules: str | None = None) -> None:
            super().__init__(store, rules)
            self._knowledge, self._assessor = warm.knowledge, warm.assessor

    for name in ("assess", "cases", "shell", "show"):
        monkeypatch.setattr(f"diagnose.commandline.{name}.Desk", Shared)
    monkeypatch.setenv("DIAGNOSE_STORE", str(tmp_path / "cases.db"))
    monkeypatch.setenv("DIAGNOSE_STATE", str(tmp_path / "state"))
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def case(tmp_path: Path) -> str:
    (tmp_path / "case.yaml").write_text(CASE)
    return str(tmp_path / "case.yaml")


WRONG = [
    ("frobnicate",),
    ("--foo",),
    ("--rol", "help-desk"),
    ("--role", "boss"),
    ("--instruments", "hammer"),
    ("--record", "none.yaml"),
    ("--case", "C-XXXXX"),
    ("--no-input",),
    ("assess",),
    ("assess", "none.yaml"),
    ("assess", str(ROOT / "pyproject.toml")),
    ("assess", str(ROOT)),
    ("audit", "none.yaml"),
    ("audit", str(ROOT / "pyproject.toml")),
    ("audit", str(ROOT)),
    ("replay", "none"),
    ("show", "C-XXXXX"),
    ("resume", "C-XXXXX"),
    ("export", "C-XXXXX"),
    ("verify", "C-XXXXX"),
    ("import", "none.jsonl"),
    ("import", str(ROOT / "pyproject.toml")),
    ("rules",),
    ("rules", "frob"),
    ("rules", "check", "none"),
    ("completion", "csh"),
    ("cases", "--store", str(ROOT)),
    ("help", "frob"),
    ("assess", "a\x1b[2Jb\nc.yaml"),
]


@pytest.mark.parametrize("words", WRONG, ids=lambda w: " ".join(w)[-30:])
def test_wrong_input_is_one_line_and_two(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    code, _, err = here(capsys, *words)
    assert code == 2
    assert len(err.splitlines()) == 1
    assert err.startswith("diagnose: ")
    assert "Traceback" not in err
    assert "\x1b" not in err


@pytest.mark.parametrize("name", [c.name for c in COMMANDS])
def test_help_three_ways_with_examples_first(capsys: pytest.CaptureFixture[str], name: str) -> None:
    texts = {here(capsys, *words)[:2] for words in ((*name.split(), "--help"), (*name.split(), "-h"), ("help", *name.split()))}
    assert len(texts) == 1
    code, text = texts.pop()
    assert code == 0
    assert text.startswith("examples:\n  diagnose " + name)


def test_general_help(capsys: pytest.CaptureFixture[str]) -> None:
    code, text, _ = here(capsys, "help")
    assert code == 0
    assert text.startswith("examples:")
    assert all(c.name in text for c in COMMANDS if " " not in c.name)
    assert here(capsys, "--version")[0] == 0


def test_assess(capsys: pytest.CaptureFixture[str], case: str) -> None:
    code, text, err = here(capsys, "assess", case)
    assert (code, err) == (0, "")
    assert "NEXT:" in text
    assert "segment 5-6" in text
    code, text, _ = here(capsys, "assess", case, "--json", "--role", "caller")
    value = json.loads(text)
    assert value["role"] == "caller"
    assert value["suspects"][0]["probability"] > 0
    assert all(s["role"] == "caller" for s in value["steps"])


def test_assess_says_every_problem(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "bad.yaml").write_text(CASE.replace("6-12", "6-99").replace("danger-signs", "danger-sings"))
    code, _, err = here(capsys, "assess", "bad.yaml")
    assert code == 2
    assert "bad.yaml:6:" in err
    assert "danger-sings" in err
    assert [line.startswith("diagnose: bad.yaml:") for line in err.splitlines()] == [True, True]


def test_replay(capsys: pytest.CaptureFixture[str], tmp_path: Path, warm: Desk) -> None:
    k = warm.knowledge
    fault = next(f.id for f in k.faults.values() if f.title == "Trunk cable open between two units")
    other = next(f for f in k.faults.values() if f.at == "unit")
    text = CASE + HIDDEN.replace("HIDDEN", fault)
    (tmp_path / "good.yaml").write_text(text.replace("EXPECTED", fault))
    (tmp_path / "bad.yaml").write_text(text.replace("EXPECTED, at: 5-6", other.id))
    code, out, err = here(capsys, "replay", "good.yaml")
    assert (code, err) == (0, "")
    assert "As expected." in out
    assert "The repair is proved" in out
    code, out, _ = here(capsys, "replay", "bad.yaml")
    assert code == 1
    assert "Not as expected: expected" in flat(out)
    code, out, _ = here(capsys, "replay", "good.yaml", "--json")
    value = json.loads(out)
    assert value["as_expected"]
    assert value["turns"][-1]["number"] == len(value["turns"])


def test_audit(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    record = Path(HARBOUR).read_text().replace("setting: 40 A", "setting: 48 A")
    (tmp_path / "site.yaml").write_text(record)
    code, text, _ = here(capsys, "audit", "site.yaml")
    assert code == 1
    assert "Breaks:" in text
    assert "rule:" in text
    assert "NFPA 70" in text
    code, text, _ = here(capsys, "audit", "site.yaml", "--json")
    assert code == 1
    assert json.loads(text)["violations"][0]["sources"]
    (tmp_path / "bare.yaml").write_text("install-record: 1\nname: bare\nunits: {count: 2}\n")
    assert here(capsys, "audit", "bare.yaml")[0] == 0
    (tmp_path / "wrong.yaml").write_text(
        "install-record: 1\nname: x\nunits: {count: 2, each: {settin: 4}}\nfoo: 1\n"
    )
    code, text, err = here(capsys, "audit", "wrong.yaml")
    assert code == 2
    assert len(text.splitlines()) == 2
    assert "2 problems" in err


def test_rules_check(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for source in (ROOT / "rules").rglob("*.yaml"):
        target = tmp_path / "rules" / source.relative_to(ROOT / "rules")
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(source.read_text())
    broken = tmp_path / "rules" / "safety" / "safety.yaml"
    broken.write_text(broken.read_text() + "- fault: odd\n  title: Odd\n")
    code, text, _ = here(capsys, "rules", "check", "rules", "--json")
    value = json.loads(text)
    assert code == 2
    assert any(p["file"].endswith("safety.yaml") and p["line"] > 10 for p in value["problems"])
    assert set(value["counts"]) == {
        "faults",
        "checks",
        "rules",
        "mechanisms",
        "remedies",
        "cautions",
        "sources",
    }
    code, text, _ = here(capsys, "rules", "check", "rules")
    assert code == 2
    assert "safety.yaml:" in text


def test_a_cycle_of_negations_is_a_problem(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "rules"
    shutil.copytree(ROOT / "rules", folder)
    rule = """- rule: {0}
  title: A rule that waits for the other not to hold
  when:
    - {{reading: unit-power, outcome: dark}}
  unless:
    - {{finding: {1}}}
  then:
    - {{finding: {0}}}
  level: note
  says: Nothing.
  sources: [common-practice]
"""
    (folder / "cycle.yaml").write_text(rule.format("one-way", "other-way") + rule.format("other-way", "one-way"))
    code, text, _ = here(capsys, "rules", "check", str(folder))
    assert code == 2
    assert "cycle.yaml:" in text
    assert "[negation-cycle]" in text


def test_paths(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, text, _ = here(capsys, "paths", "--json")
    assert code == 0
    assert json.loads(text)["cases"] == str(tmp_path / "cases.db")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion(capsys: pytest.CaptureFixture[str], shell: str) -> None:
    code, text, _ = here(capsys, "completion", shell)
    assert code == 0
    assert "diagnose" in text


OPENING = "n\nunits 6-12 are silent\n1\n\ny\n"


def test_a_conversation_through_a_pipe_and_what_is_done_with_the_case(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    done = run(
        tmp_path,
        "--record",
        HARBOUR,
        "--role",
        "technician",
        typed=OPENING + "read unit power at 6 = dark\nundo\nredo\n",
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "\x1b" not in done.stdout
    assert (
        done.stdout.index("Danger") < done.stdout.index("NEXT")
        if "Danger" in done.stdout
        else "First:" in done.stdout
    )
    assert "is saved. Go on with: diagnose resume C-" in done.stdout
    code, text, _ = here(capsys, "cases", "silent")
    assert code == 0
    name = text.split()[0]
    assert here(capsys, "cases", "nobody")[0] == 1
    code, text, _ = here(capsys, "show", name)
    assert code == 0
    assert "Unit has power at unit 6: completely dark" in text
    assert json.loads(here(capsys, "show", name.lower(), "--json")[1])["case"] == name
    assert here(capsys, "verify", name)[0] == 0
    assert here(capsys, "export", name, "-o", "out.jsonl")[0] == 0
    assert here(capsys, "export", name, "-o", "out.jsonl")[0] == 2
    assert "already" in here(capsys, "import", "out.jsonl")[1]
    code, text, _ = here(capsys, "--store", "other.db", "import", "out.jsonl")
    assert "taken over" in text
    assert here(capsys, "resume", name, "--store", "other.db", "--no-input")[0] == 0
    again = run(tmp_path, "resume", name, typed="log\nquit\nnever read\n")
    assert again.returncode == 0
    assert "completely dark" in again.stdout
    assert "never read" not in again.stdout


def test_no_traceback_when_nobody_reads(tmp_path: Path) -> None:
    program = subprocess.Popen(
        [PYTHON, "-m", "diagnose", "help"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(tmp_path),
    )
    assert program.stdout is not None
    assert program.stderr is not None
    program.stdout.close()
    assert program.stderr.read() == b""
    program.stderr.close()
    assert program.wait(30) == 0


def test_narrow_encoding_and_narrow_columns(tmp_path: Path) -> None:
    typed = OPENING + "facts ohms\ncheck ohms-across-pair\nnear end\n"
    done = run(
        tmp_path,
        "--record",
        HARBOUR,
        "--role",
        "technician",
        typed=typed,
        PYTHONIOENCODING="ascii",
        COLUMNS="40",
    )
    assert done.returncode == 0
    assert done.stdout.isascii()
    assert "120 ohm" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines() if not line.startswith(">")) <= 46


def test_an_error_inside_goes_to_the_log(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from diagnose.commandline import cases

    def broken(_: object) -> int:
        raise ZeroDivisionError("x")

    monkeypatch.setattr(cases, "paths", broken)
    code, _, err = here(capsys, "paths")
    assert code == 2
    assert len(err.splitlines()) == 1
    assert "errors.log" in err
    assert "ZeroDivisionError" in (tmp_path / "state" / "errors.log").read_text()


def test_interrupted(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    from diagnose.commandline import cases

    def stopped(_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cases, "paths", stopped)
    code, _, err = here(capsys, "paths")
    assert code == 130
    assert len(err.splitlines()) == 1
