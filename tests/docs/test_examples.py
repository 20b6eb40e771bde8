"""Every example in the documents runs."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest
import yaml

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.casefile import read_case
from diagnose.casework.state import read_site
from diagnose.drill.play import play_file
from diagnose.drill.worked import Judge, read_worked
from diagnose.knowledge.load import build, load, shipped_folder
from diagnose.knowledge.model import Knowledge

ROOT = Path(__file__).resolve().parents[2]
FENCE = re.compile(r"^```(\S+)[ ]?(\S*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(document: str, mark: str) -> list[str]:
    """The fenced blocks of a document with this mark, such as `yaml new`."""
    text = (ROOT / document).read_text(encoding="utf-8")
    return [m.group(3) for m in FENCE.finditer(text) if f"{m.group(1)} {m.group(2)}".strip() == mark]


@pytest.fixture(scope="module")
def k() -> Knowledge:
    return load(cache=False)


def test_the_shipped_examples_are_the_shipped_blocks() -> None:
    examples = blocks("docs/adding-a-fault.md", "yaml shipped")
    files = re.findall(r"`(rules/[\w/-]+\.yaml)`:", (ROOT / "docs/adding-a-fault.md").read_text(encoding="utf-8"))
    assert len(examples) == len(files) == 2
    for example, file in zip(examples, files, strict=True):
        assert example in (ROOT / file).read_text(encoding="utf-8")


def test_the_new_fault_loads_and_its_worked_case_finds_it(tmp_path: Path) -> None:
    (new,) = blocks("docs/adding-a-fault.md", "yaml new")
    (worked,) = blocks("docs/adding-a-fault.md", "yaml worked")
    folder = tmp_path / "rules"
    shutil.copytree(shipped_folder(), folder)
    (folder / "example.yaml").write_text(new, encoding="utf-8")
    knowledge, problems = build(folder)
    assert [p.line() for p in problems] == []
    (tmp_path / "worked").mkdir()
    (tmp_path / "worked" / "example.yaml").write_text(worked, encoding="utf-8")
    shutil.copytree(ROOT / "tests" / "sites", tmp_path / "sites")
    (case,) = read_worked([tmp_path / "worked" / "example.yaml"])
    assert Judge(knowledge).verdict(case) == []


def test_the_new_fault_is_not_in_the_rule_base(k: Knowledge) -> None:
    (new,) = blocks("docs/adding-a-fault.md", "yaml new")
    for block in yaml.safe_load(new):
        table: dict[str, Any] = {"fault": k.faults, "check": k.checks, "remedy": k.remedies}
        sort = next(iter(block))
        assert block[sort] not in table[sort]


def test_the_complaints_quoted_are_those_that_the_checker_makes(tmp_path: Path) -> None:
    """The message shown for a misspelt check, from a rule base that has one."""
    (quoted,) = blocks("docs/adding-a-fault.md", "text")
    (new,) = blocks("docs/adding-a-fault.md", "yaml new")
    folder = tmp_path / "rules"
    shutil.copytree(shipped_folder(), folder)
    (folder / "example.yaml").write_text(new.replace("check: scope-look", "check: end-terminator-lok"), encoding="utf-8")
    lines = [p.line().split(": ", 2)[2] for p in build(folder)[1]]
    assert quoted.strip().split(": ", 2)[2] in lines


def test_the_install_records_read(k: Knowledge) -> None:
    examples = blocks("docs/install-record.md", "yaml")
    assert len(examples) >= 2
    for example in examples:
        read_site(example, k)


def test_every_fact_is_in_the_list_of_facts(k: Knowledge) -> None:
    text = (ROOT / "docs/install-record.md").read_text(encoding="utf-8")
    listed = set(re.findall(r"^\| `([\w-]+)` \|", text, re.MULTILINE))
    assert {key.split(".", 1)[1] for key in k.facts} <= listed
    sections = set(re.findall(r"^### `(\w+)`", text, re.MULTILINE))
    assert {key.split(".", 1)[0] for key in k.facts} == {s.rstrip("s") for s in sections}


def test_the_case_files_read_and_the_worked_one_comes_out(k: Knowledge, tmp_path: Path) -> None:
    (record,) = blocks("docs/case-file.md", "yaml record")
    (tmp_path / "orchard.yaml").write_text(record, encoding="utf-8")
    cases = blocks("docs/case-file.md", "yaml")
    assert len(cases) >= 2
    assessor = Assessor(k, plain)
    for n, text in enumerate(cases):
        file = tmp_path / f"case-{n}.yaml"
        file.write_text(text, encoding="utf-8")
        case = read_case(file, k)
        assert assessor.assess(case.events()).notices == ()
        if case.expect is None:
            continue
        player = play_file(assessor, case)
        advised = None
        for turn in player.turns():
            if turn.step.kind == "remedy" and turn.step.probability >= case.expect.confidence:
                advised = turn
                break
        assert advised is not None
        top = advised.before.suspects[0]
        assert (top.fault, top.places[0][0]) == (case.expect.fault, case.expect.place)
        assert advised.number <= case.expect.steps


def test_the_lists_of_words_are_whole(k: Knowledge) -> None:
    """Places, roles, states and relations that the documents list are those of the program."""
    from diagnose.knowledge import model as m
    from diagnose.site.relations import WORDS

    adding = (ROOT / "docs/adding-a-fault.md").read_text(encoding="utf-8")
    assert all(f"`{word}`" in adding for word in (*WORDS, *m.NATURES, *m.SEVERITIES, *k.scales["prior"].words, *k.scales["how-often"].words))
    safety = (ROOT / "docs/safety.md").read_text(encoding="utf-8")
    assert all(f"`{word}`" in safety for word in (*m.ROLES, *m.STATES))
    signs = k.checks["danger-signs"].outcome_ids[1:]
    assert all(f"`{sign}`" in safety for sign in signs)


@pytest.mark.parametrize("document", [*sorted(p.name for p in (ROOT / "docs").glob("*.md")), "../README.md", "../DEVELOPERS.md"])
def test_links_lead_somewhere(document: str) -> None:
    file = ROOT / "docs" / document
    text = file.read_text(encoding="utf-8")
    anchors = set(re.findall(r'<a id="([^"]+)"', text))
    headings = {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in re.findall(r"^#+ (.*)$", text, re.MULTILINE)}
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        path, _, anchor = target.partition("#")
        if "://" in target:
            continue
        if path:
            assert (file.parent / path).exists(), target
        elif anchor:
            assert anchor in anchors | headings, target




def test_the_chain_of_the_case_log_is_the_one_described() -> None:
    """The program in docs/case-log.md, run over an export."""
    from diagnose.casework.events import GENESIS, KINDS, Event, canonical, chain
    from diagnose.casework.store import Stored
    from diagnose.casework.transfer import export_text

    (program,) = blocks("docs/case-log.md", "python")
    log: list[Stored] = []
    for n, (kind, data) in enumerate([("opened", {"title": "Einheit größer"}), ("note", {"text": "µ"}), ("closed", {})], 1):
        event = Event(f"a{n}", "C-7K3MD", n, "2031-04-05T06:07:08Z", kind, dict(data), "help-desk")
        body = canonical(event)
        log.append(Stored(event, body, chain(log[-1].hash if log else GENESIS, body)))
    space: dict[str, Any] = {}
    exec(program, space)
    lines = export_text(log).decode().splitlines()
    assert space["head"](lines) == log[-1].hash
    with pytest.raises(AssertionError):
        space["head"]([lines[0], lines[1].replace("Einheit", "einheit"), *lines[2:]])
    text = (ROOT / "docs/case-log.md").read_text(encoding="utf-8")
    assert all(f"| `{kind}` |" in text for kind in KINDS)
    (example,) = blocks("docs/case-log.md", "json")
    header, first = example.splitlines()
    import json

    assert set(json.loads(header)) == set(json.loads(lines[0]))
    assert set(json.loads(first)["event"]) == set(Event._fields)


def test_every_command_shown_is_one_that_is_there() -> None:
    """Each `diagnose ...` of the documents parses: its command, its options, the number of its words."""
    from diagnose.commandline.parser import parser

    seen = 0
    for file in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(p for p in (ROOT / "docs").glob("*.md") if p.name != "catalogue.md")):
        text = file.read_text(encoding="utf-8")
        shown = re.findall(r"^(?:\$ )?(?:.*&& )?(?:\.venv/bin/)?(?:python -m )?diagnose( [^\n|>]*)?$", text, re.MULTILINE)
        shown += re.findall(r"`diagnose( [a-z][^`]*)`", text)
        for words in shown:
            if "--help" not in words:
                parser().parse_args(words.split())
                seen += 1
    assert seen >= 20
