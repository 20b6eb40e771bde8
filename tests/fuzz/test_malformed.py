"""Malformed input of every kind that people or files bring: a clear refusal, line by line, or it was valid.

Never another exception, never a hang, never a file written. All chance is seeded: a failure names its input.
"""

from __future__ import annotations

import io
import json
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import read_case
from diagnose.casework.events import GENESIS, Event, canonical, chain
from diagnose.casework.state import AnswerError, find_places, fold, read_site, take_answer
from diagnose.casework.store import Stored
from diagnose.casework.transfer import TransferError, export_text
from diagnose.casework.transfer import read_case as read_export
from diagnose.gauges import load_all
from diagnose.gauges.base import AUDITS, READINGS, STRENGTHS
from diagnose.inference.check import check_strata
from diagnose.inference.compile import compile_rules
from diagnose.knowledge import model as m
from diagnose.knowledge.load import build, load
from diagnose.site.model import Site
from diagnose.site.places import KINDS, SITE, PlaceError
from diagnose.site.record import parse_fact
from diagnose.source.problems import InputError
from tests.casework.whole_log import check_log
from tests.fuzz.mutations import ODD, phrase, spoil
from tests.knowledge.small_base import BASE, write

WANTED = 2000
LONGEST = 5.0  # s for one input, on a machine that does other things as well
COUNT: Counter[str] = Counter()
VALID: Counter[str] = Counter()
SITES = Path(__file__).resolve().parents[1] / "sites"


@pytest.fixture(scope="module")
def k() -> m.Knowledge:
    return load(cache=False)


@pytest.fixture(scope="module")
def site(k: m.Knowledge) -> Site:
    return read_site((SITES / "harbour-12.yaml").read_text(encoding="utf-8"), k)


def clear(lines: list[str], given: object) -> None:
    """Every line is one clear line."""
    assert lines, ascii(given)
    for line in lines:
        assert line.strip(), ascii(given)
        assert line.isprintable(), f"{ascii(given)[:500]} told {line!a}"
        assert len(line) <= 700, f"{ascii(given)[:500]} told {len(line)} characters"


def attempt(sort: str, given: object, run: Callable[[], object], refusals: tuple[type[Exception], ...]) -> object | None:
    """What `run` gives, or None when it refuses as it should. Counts the input."""
    COUNT[sort] += 1
    start = time.process_time()
    result: object | None = None
    try:
        result = run()
        VALID[sort] += 1
    except refusals as error:
        clear([p.line() for p in error.problems] if isinstance(error, InputError) else [str(error)], given)
    except Exception as error:
        raise AssertionError(f"{type(error).__name__}: {str(error)[:200]} from {ascii(given)[:3000]}") from error
    assert time.process_time() - start < LONGEST, ascii(given)[:500]
    return result


@pytest.fixture(autouse=True)
def nothing_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Runs each test in an empty folder and finds it empty after it, but for `in`, which the test itself fills."""
    monkeypatch.chdir(tmp_path)
    for name in ("CACHE", "STATE", "STORE", "DATA", "CONFIG"):
        monkeypatch.setenv(f"DIAGNOSE_{name}", str(tmp_path / "allowed" / name.lower()))
    (tmp_path / "in").mkdir()
    yield tmp_path
    assert [p.name for p in tmp_path.iterdir() if p.name not in ("in", "allowed")] == []


def put(folder: Path, text: str, chance: random.Random, name: str = "f.yaml") -> Path:
    """The text as a file; now and then in another encoding."""
    path = folder / "in" / name
    data = text.encode("utf-8", "surrogatepass")
    if chance.random() < 0.05:
        data = chance.choice(
            [
                text.encode("utf-16", "surrogatepass"), text.encode("latin-1", "replace"), data + b"\xff",
                b"\xef\xbb\xbf" + data, data[::-1],
            ]
        )
    path.write_bytes(data)
    return path


def test_rule_files(nothing_written: Path) -> None:
    chance = random.Random(101)
    for n in range(500):
        text = spoil(BASE, chance)
        put(nothing_written, text, chance, "base.yaml")

        def run() -> object:
            knowledge, problems = build(nothing_written / "in")
            if problems:
                raise InputError(problems)
            return knowledge, check_strata(knowledge, compile_rules(knowledge))

        attempt("rule file", (n, text[:100], text), run, (InputError,))
    assert VALID["rule file"] < 400


SMALL_RECORD = """\
install-record: 1
name: Two chains
site: {system: split-120-240, ambient: 35 C, outdoor: yes}
panels: [{breaker: 400 A}, {breaker: 200 A}]
units: {count: 10, each: {setting: 40 A, breaker: 50 A, panel: 1}, except: {"7": {setting: 48 A}, 8-10: {panel: 2}}}
trunks:
  - {units: 1-5, controller: 1, segment-length: 12 m, except-segments: {"4-5": 60 m}, kind: rs485, terminators-at: [1, 5]}
  - {units: "10, 9, 8, 6-7", controller: 8, bit-rate: 9600}
uplinks: [{unit: 1, units: 1-5, kind: ethernet}, {unit: 8, units: 6-10}]
controls: [{units: 1-3}]
"""


def use(found: Site, chance: random.Random) -> None:
    """What a sound record is for: every gauge works on it, at some of its places."""
    load_all()
    for table in (AUDITS, READINGS, STRENGTHS):
        for gauge in table.values():  # type: ignore[attr-defined]
            places = found.places(gauge.at)
            for place in chance.sample(places, min(1, len(places))):
                gauge.function(found, place)


def test_install_records(k: m.Knowledge, nothing_written: Path) -> None:
    chance = random.Random(202)
    seeds = [path.read_text(encoding="utf-8") for path in sorted(SITES.glob("*.yaml"))] + [SMALL_RECORD] * 6
    for n in range(700):
        text = spoil(chance.choice(seeds), chance)

        def run() -> object:
            found = read_site(text, k, "r.yaml")  # noqa: B023
            use(found, chance)
            return found

        attempt("install record", (n, text), run, (InputError,))
    assert VALID["install record"] < 450


def case_text(k: m.Knowledge) -> str:
    fault = k.faults["far-terminator-missing"]
    return f"""\
case: 1
title: Units beyond two are silent
install-record: {{install-record: 1, units: {{count: 6, each: {{setting: 40 A}}}}, trunks: [{{units: 1-6}}], uplinks: [{{unit: 1}}]}}
role: technician
complaint: half the chain is silent
instruments: [multimeter, phone]
on-site: yes
log:
  - {{check: danger-signs, at: all, answer: none}}
  - {{check: unit-answers, at: 2-3, answer: silent, complaint: yes}}
  - {{fact: trunk.bit-rate, at: trunk 1, is: "19200"}}
  - {{remedy: {fault.remedy}, at: far end}}
  - {{made-safe: yes}}
  - {{note: The gland was loose}}
hidden: [{{fault: {fault.id}, at: far end}}]
answers: [{{check: danger-signs, answer: none}}, {{check: unit-answers, at: 2-3, answer: silent}}]
expect: {{fault: {fault.id}, at: far end, confidence: 0.9, steps-at-most: 12}}
"""


def test_case_files(k: m.Knowledge, nothing_written: Path) -> None:
    chance = random.Random(303)
    whole = case_text(k)
    for n in range(500):
        text = spoil(whole, chance)
        path = put(nothing_written, text, chance)

        def run() -> object:
            case = read_case(path, k, "c.yaml")  # noqa: B023
            assert check_log(case.events()) == []
            return fold(case.events(), k)

        attempt("case file", (n, text), run, (InputError,))
    assert VALID["case file"] < 350


def test_paths(k: m.Knowledge, nothing_written: Path) -> None:
    """A case file that points to odd files, and odd files themselves."""
    for word in ODD:
        quoted = json.dumps(word)
        path = nothing_written / "in" / "f.yaml"
        path.write_bytes(f"case: 1\ninstall-record: {quoted}\n".encode("utf-8", "surrogatepass"))
        attempt("path", word, lambda: read_case(path, k), (InputError,))  # noqa: B023
        attempt("path", word, lambda: read_case(Path(word), k), (InputError,))  # noqa: B023
        attempt("path", word, lambda: load(Path(word), cache=False), (InputError,)) if word not in ("", "/", "~") else None  # noqa: B023


def log(k: m.Knowledge) -> list[Event]:
    rows: list[tuple[str, dict[str, Any]]] = [
        ("opened", {"title": "Silent", "role": "technician", "record": SMALL_RECORD, "instruments": ["multimeter"], "on-site": True}),
        ("reading", {"check": "danger-signs", "at": "units 1-10", "answer": "none"}),
        ("reading", {"check": "unit-answers", "at": "units 2-3", "answer": "silent", "complaint": True}),
        ("fact", {"key": "trunk.bit-rate", "at": "trunk 1", "text": "19200"}),
        ("role", {"role": "electrician"}),
        ("remedy", {"remedy": next(iter(k.remedies)), "at": "far end"}),
        ("note", {"text": "The gland was loose"}),
        ("closed", {"how": "repaired"}),
    ]
    return [Event(f"e{n}", "C-1", n, "2031-04-05T06:07:08Z", kind, data, "technician") for n, (kind, data) in enumerate(rows, 1)]


def chained(events: list[Event]) -> list[Stored]:
    found, head = [], GENESIS
    for event in events:
        body = canonical(event)
        head = chain(head, body)
        found.append(Stored(event, body, head))
    return found


def test_exported_cases(k: m.Knowledge) -> None:
    """Bytes changed anywhere: refused by name and line, or (the last line torn off) said so."""
    chance = random.Random(404)
    whole = export_text(chained(log(k)))
    text = whole.decode()
    for n in range(400):
        data = spoil(text, chance).encode("utf-8", "surrogatepass")
        if chance.random() < 0.3:
            at = chance.randrange(len(whole))
            data = whole[:at] + bytes([chance.randrange(256)]) + whole[at + 1 :]
        found = attempt("exported case", (n, data), lambda: read_export(data, "case.jsonl"), (TransferError,))  # noqa: B023
        assert found is None or data == whole or found.statement  # type: ignore[attr-defined]


def test_exported_cases_that_are_whole_and_say_odd_things(k: m.Knowledge) -> None:
    """Whoever makes a case by hand may put anything into it: it is told or passed over, never a crash."""
    chance = random.Random(505)
    assessor = Assessor(k)
    values: list[Any] = [None, True, 0, -1, 1e300, [], ["x", 3], {}, {"a": [None]}, *ODD]
    for n in range(250):
        events = log(k)
        for _ in range(chance.choice([1, 1, 2])):
            at = chance.randrange(len(events))
            data = dict(events[at].data)
            key = chance.choice([*data, "at", "extra"])
            data[key] = chance.choice(values)
            events[at] = events[at]._replace(data=data)

        def run() -> object:
            try:
                file = read_export(export_text(chained(events)), "case.jsonl")  # noqa: B023
            except (ValueError, UnicodeEncodeError):  # half a character: nothing can write such a file
                raise TransferError("cannot be written") from None
            found = [entry.event for entry in file.log]
            state = assessor.state(found)
            clear([f"x{text}" for text in state.notices], found) if state.notices else None
            return assessor.assess(found) if n % 10 == 0 else state  # noqa: B023

        attempt("odd case", (n, [e.data for e in events]), run, (TransferError, InputError))


def test_answers(k: m.Knowledge, site: Site) -> None:
    """Any text for every check of the shipped rule base in turn, with a place and without one."""
    chance = random.Random(606)
    for check in k.checks.values():
        seeds = [*check.outcome_ids, *(o.says for o in check.outcomes), "12.5 V", "120 ohm", "3,5 A", "-70 dBm", "OL", "1:30", "about 12"]
        places = site.places(check.at)
        for n in range(4):
            text = phrase(seeds, chance)
            where = chance.sample(places, min(len(places), chance.choice([0, 1, 3])))
            found = attempt("answer", (check.id, text), lambda: take_answer(k, site, check, tuple(where), text), (AnswerError,))  # noqa: B023
            if found is not None:
                assert found[0] is None or found[0] in check.outcome_ids  # type: ignore[index]
            assert n < 4
        for outcome in check.outcome_ids:
            assert take_answer(k, site, check, places[:1], outcome) == (outcome, None, "")


def test_places_as_typed(k: m.Knowledge, site: Site) -> None:
    chance = random.Random(707)
    seeds = [
        "unit 5", "units 5-9", "1, 3 and 5", "segment 4-5", "trunk 1", "far end", "trunk 1 near end",
        "uplink 1", "control", "panel 1", "all", "site",
    ]
    for kind in KINDS:
        for _ in range(60):
            text = phrase(seeds, chance)
            found = attempt("place", (kind, text), lambda: find_places(site, kind, text), (AnswerError,))  # noqa: B023
            assert found is None or all(site.has(p) and p.kind == kind for p in found)  # type: ignore[attr-defined]


def test_facts(k: m.Knowledge, site: Site) -> None:
    """Any value for every install fact; what is taken is put on the site, and the gauges work with it."""
    chance = random.Random(808)
    for spec in k.facts.values():
        seeds = [*spec.choices, "yes", "1, 12", "40 A", "12 m", "19200", "35 C", "192.168.1.4", "0", "1e18", "0.000001"]
        for _ in range(5):
            text = phrase(seeds, chance)

            def run() -> object:
                value = parse_fact(spec, text)  # noqa: B023
                changed = site.with_fact(spec.key, SITE, value)  # noqa: B023
                use(changed, chance)
                return value

            attempt("fact", (spec.key, text), run, (PlaceError,))


def test_what_is_not_spoilt_is_taken(k: m.Knowledge, nothing_written: Path) -> None:
    """Else the sweep would be passed by a program that refuses everything."""
    steady = random.Random(1)
    assert build(write(nothing_written / "in", BASE))[1] == []
    assert read_site(SMALL_RECORD, k).units
    assert read_case(put(nothing_written, case_text(k), steady), k).expect
    assert len(read_export(export_text(chained(log(k))), "case.jsonl").log) == 8
    for remark in ("# a remark\n", "\ufeff"):
        assert read_site(remark + SMALL_RECORD, k) == read_site(SMALL_RECORD, k)
    assert read_site(SMALL_RECORD.replace("\n", "\r\n"), k) == read_site(SMALL_RECORD, k)


CASE_ID = "C-7K3MD"


def command_lines(chance: random.Random, files: list[str]) -> list[str]:
    """A command line with something wrong in it more often than not."""
    some = [*ODD, *files, CASE_ID, "x.yaml", "-", "--", "--json", "--nosuch", "-x", "--role", "--role=king", "--store", "--rules", "in", "."]
    first = chance.choice(["assess", "audit", "replay", "cases", "show", "export", "import", "verify", "rules", "completion", "help", "asess", *ODD])
    words = [first] if first != "rules" else ["rules", chance.choice(["check", "chek", ""])]
    words += [chance.choice(some) for _ in range(chance.choice([0, 1, 1, 1, 2, 3]))]
    return [w for w in words if "\0" not in w]  # no program can be given a NUL


def test_command_lines(k: m.Knowledge, nothing_written: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    from diagnose.cli import main

    chance = random.Random(909)
    folder = nothing_written / "in"
    put(nothing_written, SMALL_RECORD, random.Random(0), "site.yaml")
    write(folder / "base", BASE.replace("usually", "oftenly"))
    (folder / "spoilt.yaml").write_text(spoil(case_text(k), chance))
    (folder / "bad.jsonl").write_bytes(export_text(chained(log(k)))[:-40])
    store = nothing_written / "allowed" / "cases.db"  # a command may make the store it was told to use
    store.parent.mkdir(exist_ok=True)
    files = ["in/site.yaml", "in/base", "in/spoilt.yaml", "in/bad.jsonl", "in/missing.yaml"]
    log_of_errors = nothing_written / "allowed" / "state" / "errors.log"
    codes: Counter[int] = Counter()
    for n in range(170):
        words = ["--store", str(store), *command_lines(chance, files)]
        if n % 4 == 0:
            words = words[2:]
            monkeypatch.setenv("DIAGNOSE_STORE", str(store))
        if any(w == "-o" or w.startswith("--output") for w in words):
            continue
        monkeypatch.setattr(sys, "stdin", io.StringIO(""))
        COUNT["command line"] += 1
        start = time.process_time()
        code = main(words)
        out, err = capsys.readouterr()
        spent = time.process_time() - start
        assert spent < LONGEST * 3, words
        assert code in (0, 1, 2), (words, code)
        assert not log_of_errors.exists(), (words, err, log_of_errors.read_text()[-2000:])
        assert "Traceback" not in out + err, words
        codes[code] += 1
        if code == 2:
            told = err.splitlines() or out.splitlines()
            clear([line if max(map(len, words)) < 400 else line[:700] for line in told], words)  # long words are told whole
            assert len(err.splitlines()) == 1 or not err, (words, err)
        else:
            VALID["command line"] += 1
    assert codes[2] > 80
    assert {p.name for p in folder.iterdir()} == {"site.yaml", "base", "spoilt.yaml", "bad.jsonl"}


def test_how_many_there_were(capsys: pytest.CaptureFixture[str]) -> None:
    """Runs last: the sweep is as wide as it says."""
    if len(COUNT) < 10:
        pytest.skip("only a part of the sweep was run")
    with capsys.disabled():
        print("\nmalformed inputs:", ", ".join(f"{sort} {COUNT[sort]} ({VALID[sort]} valid)" for sort in COUNT))
    assert COUNT.total() - VALID.total() >= WANTED
