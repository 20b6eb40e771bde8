"""Case files: sound ones give events, each kind of wrong is told at its line. Answers mean what they say."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import CaseFile, read_case
from diagnose.casework.events import Event
from diagnose.casework.state import AnswerError, State, fold, read_site, take_answer
from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.site.places import FAR, NEAR, SITE, Place
from diagnose.source.problems import InputError, Problem
from tests.casework.whole_log import check_log

SITES = Path(__file__).resolve().parents[1] / "sites"


@pytest.fixture(scope="module")
def k() -> m.Knowledge:
    return load(cache=False)


@pytest.fixture(scope="module")
def assessor(k: m.Knowledge) -> Assessor:
    return Assessor(k)


RECORD = (
    "install-record: {install-record: 1, name: Two, units: {count: 6, each: {setting: 40 A}}, trunks: "
    "[{units: 1-3, bit-rate: 9600}, {units: [6, 5, 4]}], uplinks: [{unit: 1}]}\n"
)
FULL = f"""\
case: 1
title: Units beyond two are silent
{RECORD}role: help-desk
complaint: half the chain is silent
instruments: [multimeter, phone]
on-site: no
log:
  - {{check: danger-signs, at: all, answer: none}}
  - {{check: unit-answers, at: 2-3, answer: silent, complaint: yes}}
  - {{fact: trunk.bit-rate, at: trunk 1, is: "19200"}}
  - {{fact: unit.setting, is: 32 A}}
  - {{note: The gland was loose}}
  - {{check: unit-answers, at: "1", answer: 1}}
  - {{check: unit-answers, at: 4-6, answer: do not know}}
hidden: [{{fault: far-terminator-missing, at: trunk 1 far end}}]
answers: [{{check: danger-signs, answer: none}}, {{check: unit-answers, at: 2-3, answer: never answers}}]
expect: {{fault: far-terminator-missing, at: trunk 1 far end, confidence: 0.9, steps-at-most: 12}}
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "case.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def case_of(folder: Path, k: m.Knowledge, text: str) -> CaseFile:
    return read_case(write(folder, text), k, "c.yaml")


def state_of(case: CaseFile, k: m.Knowledge) -> State:
    return fold(case.events(), k)


def test_a_full_case(tmp_path: Path, k: m.Knowledge) -> None:
    case = case_of(tmp_path, k, FULL)
    events = case.events()
    assert check_log(events) == []
    assert [e.kind for e in events] == ["opened", "reading", "reading", "fact", "fact", "note", "reading", "reading"]
    state = state_of(case, k)
    assert state.notices == ()
    assert (state.title, state.role, state.on_site, state.instruments) == ("Units beyond two are silent", "help-desk", False, {"multimeter", "phone"})
    assert state.site.number("trunk.bit-rate", Place("unit", 1)) == 19200
    assert {state.site.number("unit.setting", Place("unit", n)) for n in range(1, 7)} == {32}
    assert [r.outcome for r in state.readings] == ["none", "silent", "answers", None]
    assert state.readings[1].places == (Place("unit", 2), Place("unit", 3))
    assert state.readings[1].complaint
    assert case.hidden == (("far-terminator-missing", Place("trunk-end", 1, FAR)),)
    assert [a.places for a in case.answers] == [(), (Place("unit", 2), Place("unit", 3))]
    assert case.expect is not None
    assert (case.expect.place, case.expect.confidence, case.expect.steps) == (Place("trunk-end", 1, FAR), 0.9, 12)


def test_the_least_case(tmp_path: Path, k: m.Knowledge) -> None:
    case = case_of(tmp_path, k, "case: 1\n")
    assert case.title == "case"
    assert case.site.units == (1,)
    assert len(case.events()) == 1


def test_a_record_beside_it(tmp_path: Path, k: m.Knowledge) -> None:
    (tmp_path / "here.yaml").write_text((SITES / "harbour-12.yaml").read_text())
    case = case_of(tmp_path, k, "case: 1\ninstall-record: here.yaml\nlog: [{check: unit-answers, at: 12, answer: silent}]\n")
    assert len(case.site.units) == 12
    assert state_of(case, k).readings[0].places == (Place("unit", 12),)


def test_a_record_in_the_file_is_kept_whole(tmp_path: Path, k: m.Knowledge) -> None:
    text = (SITES / "harbour-12.yaml").read_text()
    inside = "case: 1\ninstall-record:\n" + "".join(f"  {line}\n" for line in text.splitlines())
    case = case_of(tmp_path, k, inside)
    assert read_site(str(case.data["record"]), k) == read_site(text, k) == case.site


def test_the_same_end_of_two_trunks(tmp_path: Path, k: m.Knowledge) -> None:
    """`near end` is what the first trunk's is stored as; read back, it is no question any more."""
    check = next(c for c in k.checks.values() if c.at == "trunk-end" and not c.gauge)
    answer = check.outcome_ids[1]
    log = "".join(f"  - {{check: {check.id}, at: trunk {n} near end, answer: {answer}}}\n" for n in (1, 2))
    state = state_of(case_of(tmp_path, k, f"case: 1\n{RECORD}log:\n{log}"), k)
    assert state.notices == ()
    assert [r.places for r in state.readings] == [(Place("trunk-end", 1, NEAR),), (Place("trunk-end", 2, NEAR),)]


def test_repair_and_made_safe(tmp_path: Path, k: m.Knowledge) -> None:
    log = "log:\n  - {check: danger-signs, at: 3, answer: burning-smell}\n  - {made-safe: yes}\n  - {remedy: REMEDY, at: trunk 1 far end}\n"
    log = log.replace("REMEDY", k.faults["far-terminator-missing"].remedy)
    state = state_of(case_of(tmp_path, k, f"case: 1\n{RECORD}role: technician\n{log}"), k)
    assert [(x.what, x.n, x.role) for x in state.said] == [("made-safe", 3, "technician")]
    assert state.mended[0].place == Place("trunk-end", 1, FAR)
    assert state.notices == ()


START = f"case: 1\n{RECORD}"  # two lines
WRONG: list[tuple[str, str, list[tuple[int, str]]]] = [
    ("a list", "- case: 1\n", [(1, "not a case file")]),
    ("no case", "title: x\n", [(1, "not a case file")]),
    ("another version", "title: x\ncase: 2\n", [(2, "version 1")]),
    ("an unknown key", START + "logs: []\n", [(3, "did you mean 'log'?")]),
    ("a role that is none", START + "role: electrican\n", [(3, "did you mean 'electrician'?")]),
    ("an instrument that is none", START + "instruments: [multimetre]\n", [(3, "did you mean 'multimeter'?")]),
    ("instruments as a mapping", START + "instruments: {a: b}\n", [(3, "list of texts")]),
    ("a title too long", START + "title: " + "x" * 201 + "\n", [(3, "at most 200")]),
    ("on-site maybe", START + "on-site: maybe\n", [(3, "known: no, yes")]),
    ("a log that is a mapping", START + "log: {a: b}\n", [(3, "wants a list")]),
    ("a log of texts", START + "log:\n  - danger-signs none\n", [(4, "wants a mapping")]),
    ("an entry of no kind", START + "log:\n  - {chek: danger-signs}\n", [(4, "names check, fact, remedy")]),
    ("an unknown check", START + "log:\n  - {check: danger-sings, answer: none}\n", [(4, "did you mean 'danger-signs'?")]),
    ("a check without answer", START + "log:\n  - {check: danger-signs}\n", [(4, "'answer' is missing")]),
    ("an answer that is none", START + "log:\n  - check: unit-answers\n    at: '1'\n    answer: loud\n", [(6, "one of: answers, intermittently")]),
    ("a number past the list", START + "log:\n  - {check: unit-answers, answer: 9}\n", [(4, "choose 1 to 4")]),
    ("a place that is not there", START + "log:\n  - check: unit-answers\n    at: 1-9\n    answer: silent\n", [(5, "there is no unit 7")]),
    ("a place of another kind", START + "log:\n  - {check: unit-answers, at: far end, answer: silent}\n", [(4, "written like")]),
    ("a trunk end of two", START + "log:\n  - {fact: trunk.bit-rate, at: trunk 3, is: 9600}\n", [(4, "there is no trunk 3")]),
    ("an unknown fact", START + "log:\n  - {fact: trunk.bitrate, is: 9600}\n", [(4, "did you mean 'trunk.bit-rate'?")]),
    ("a fact without value", START + "log:\n  - {fact: trunk.bit-rate}\n", [(4, "'is' is missing")]),
    ("a fact of another unit", START + "log:\n  - fact: trunk.bit-rate\n    is: 9600 V\n", [(5, "`V`")]),
    ("an unknown remedy", START + "log:\n  - {remedy: no-such-repair, at: trunk 1 far end}\n", [(4, "there is no remedy")]),
    ("a remedy nowhere", START + "log:\n  - {remedy: REMEDY, at: unit 99}\n", [(4, "there is no place 'unit 99'")]),
    ("safe by a contact", START + "role: caller\nlog:\n  - {made-safe: yes}\n", [(5, "role technician or above")]),
    ("not made safe", START + "log:\n  - {made-safe: no}\n", [(4, "'made-safe' cannot be 'no'")]),
    ("safe nowhere", START + "log:\n  - {made-safe: unit 99}\n", [(4, "unit 5, panel 1")]),
    ("power nowhere", START + "log:\n  - {energized: unit 99}\n", [(4, "there is no place 'unit 99'")]),
    ("a role taken that is none", START + "log:\n  - {role: electrican}\n", [(4, "did you mean 'electrician'?")]),
    ("safe after a role that may not", START + "log:\n  - {role: caller}\n  - {made-safe: unit 1}\n", [(5, "role technician or above")]),
    ("an empty note", START + "log:\n  - {note: ''}\n", [(4, "'note' is missing")]),
    ("an unknown hidden fault", START + "hidden: [{fault: far-terminator-mising}]\n", [(3, "did you mean 'far-terminator-missing'?")]),
    ("a hidden fault nowhere", START + "hidden: [{fault: far-terminator-missing, at: trunk 7 far end}]\n", [(3, "near end")]),
    ("a hidden fault of no place", "case: 1\nhidden: [{fault: far-terminator-missing}]\n", [(2, "record has no trunk-end")]),
    ("no hidden fault", START + "hidden: [{at: unit 1}]\n", [(3, "'fault' is missing")]),
    ("an unknown fault expected", START + "expect: {fault: nothing-at-all-here}\n", [(3, "there is no fault")]),
    ("too much confidence", START + "expect: {fault: far-terminator-missing, confidence: 2}\n", [(3, "from 0 to 1")]),
    ("too many steps", START + "expect: {fault: far-terminator-missing, steps-at-most: 1e9}\n", [(3, "from 1 to 200")]),
    ("an expectation of words", START + "expect: far-terminator-missing\n", [(3, "wants a mapping")]),
    ("a record with a mistake", "case: 1\ninstall-record:\n  install-record: 1\n  units: {count: 0}\n", [(4, "from 1 to 247")]),
    ("no record beside it", "case: 1\ninstall-record: nowhere.yaml\n", [(2, "no such file")]),
    ("a folder for a record", "case: 1\ninstall-record: .\n", [(2, "folder")]),
    ("a device for a record", "case: 1\ninstall-record: /dev/zero\n", [(2, "no plain file")]),
    ("a record with a long name", f"case: 1\ninstall-record: {'x' * 400}\n", [(2, "cannot be read")]),
    ("a record that is a list", "case: 1\ninstall-record: [a]\n", [(2, "is a mapping")]),
    (
        "several", START + "role: x\nlog:\n  - {check: y, answer: z}\n  - {fact: y, is: z}\n",
        [(3, "cannot be 'x'"), (5, "no check 'y'"), (6, "no install fact 'y'")],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("text", "told"), [w[1:] for w in WRONG], ids=[w[0] for w in WRONG])
def test_what_is_wrong_is_told_at_its_line(tmp_path: Path, k: m.Knowledge, text: str, told: list[tuple[int, str]]) -> None:
    text = text.replace("REMEDY", next(iter(k.remedies)))
    with pytest.raises(InputError) as caught:
        case_of(tmp_path, k, text)
    problems: tuple[Problem, ...] = caught.value.problems
    assert [p.mark.line for p in problems] == [line for line, _ in told], str(caught.value)
    for problem, (_, words) in zip(problems, told, strict=True):
        assert words in problem.line(), problem.line()
        assert problem.line().isprintable()
        assert len(problem.line()) <= 700


def test_a_record_beside_it_with_mistakes_is_told_in_its_own_name(tmp_path: Path, k: m.Knowledge) -> None:
    (tmp_path / "here.yaml").write_text("install-record: 1\nunits: {count: many}\n")
    with pytest.raises(InputError) as caught:
        case_of(tmp_path, k, "case: 1\ninstall-record: here.yaml\n")
    assert str(caught.value).startswith("here.yaml:2:")


# ---- what an answer means


def answer(k: m.Knowledge, check: str, text: str) -> str | None:
    site = read_site((SITES / "harbour-12.yaml").read_text(), k)
    return take_answer(k, site, k.checks[check], (SITE,), text)[0]


def test_words_that_are_an_answer(k: m.Knowledge) -> None:
    assert answer(k, "unit-answers", "Silent") == "silent"
    assert answer(k, "unit-answers", "never answers") == "silent"
    assert answer(k, "unit-answers", "bus dead") == "silent"
    assert answer(k, "unit-answers", "4") == "silent"
    assert answer(k, "danger-signs", "hot or buzzing") == "hot-or-buzzing"
    for text in ("do not know", "don't know", "Cannot reach", "can't"):
        assert answer(k, "unit-answers", text) is None


@pytest.mark.parametrize(
    ("check", "text"),
    [
        ("connector-idle", "yes"),  # "is there voltage?": yes is the dangerous answer, and stands second
        ("connector-idle", "y"), ("unit-power", "no"), ("body-senses", "no"), ("charging-starts", "starts"),
        ("charging-starts", "start"), ("unit-answers", "a"), ("unit-answers", ""), ("unit-answers", "0"),
        ("unit-answers", "5"), ("unit-answers", "²"), ("unit-answers", "-1"), ("danger-signs", "no danger but a smell"),
    ],
)  # fmt: skip
def test_words_that_may_mean_the_opposite_are_asked_back(k: m.Knowledge, check: str, text: str) -> None:
    with pytest.raises(AnswerError) as caught:
        answer(k, check, text)
    assert str(caught.value).isprintable()


# ---- events from elsewhere


def opened(**data: object) -> Event:
    return Event("e1", "c", 1, "2031-01-01T00:00:00Z", "opened", {"title": "t", **data}, "x")  # type: ignore[dict-item]


def event(n: int, kind: str, **data: object) -> Event:
    return Event(f"e{n}", "c", n, "2031-01-01T00:00:00Z", kind, dict(data), "x")  # type: ignore[arg-type]


ODD = [None, True, 3, -1.5, "x", "", [], ["x"], [1], {}, {"a": 1}, "\x1b[31m", "\0", "[bold]"]


@pytest.mark.parametrize("value", ODD, ids=ascii)
def test_odd_values_in_events_are_told_or_passed_over(k: m.Knowledge, assessor: Assessor, value: object) -> None:
    start = opened(role=value, instruments=value, complaint=value, **{"on-site": value})
    rest = [
        event(2, "reading", check=value, at="1", answer="silent"),
        event(3, "reading", check="unit-answers", at=value, answer="silent"),
        event(4, "reading", check="unit-answers", at="1", answer=value, complaint=value),
        event(5, "fact", key=value, text="x"),
        event(6, "fact", key="unit.setting", text=value),
        event(7, "fact", key="unit.setting", text="40 A", at=value),
        event(8, "fact", key="made-safe", text=value),
        event(9, "remedy", remedy=value, at=value),
        event(10, "note", text=value),
        event(11, "role", role=value, instruments=value),
    ]
    assessment = assessor.assess([start, *rest])
    state = fold([start, *rest], k)
    assert state.role in m.ROLES
    assert not state.said
    assert state.instruments <= set(m.INSTRUMENTS)
    assert all(n.isprintable() for n in assessment.notices)


def test_a_role_that_is_none_has_the_least_rights(k: m.Knowledge) -> None:
    assert fold([opened(role="king")], k).role == "caller"


def test_a_broken_record_in_an_event_is_an_input_error(k: m.Knowledge) -> None:
    with pytest.raises(InputError):
        fold([opened(record="units: [")], k)


def test_all_mistakes_of_a_file_are_told_at_once(tmp_path: Path, k: m.Knowledge) -> None:
    """Also beside a record that cannot be read; nothing is said of its places then."""
    rest = """role: mechanic
log:
  - {check: unit-answer, at: unit 5, answer: silent}
  - {check: unit-answers, at: unit 5, answer: sillent}
  - {check: ohms-across-pair, at: far end, answer: 61 ohm}
  - {remedy: remake-jointt, at: segment 5-6}
  - {fact: trunk.bit-rat, is: "9600"}
  - {fact: trunk.bit-rate, at: trunk 1, is: many}
hidden: [{fault: nonsense}]
answers: [{check: nothing, answer: x}]
expect: {fault: more-nonsense}
"""
    path = tmp_path / "case.yaml"
    lines = {}
    for record in (
        "{install-record: 1, name: x, units: {count: 12}, trunks: [{units: 1-12, controller: 1}]}",
        "{install-record: 1, name: x, units: {count: twelve}}",
    ):
        path.write_text(f"case: 1\ninstall-record: {record}\n{rest}", encoding="utf-8")
        with pytest.raises(InputError) as caught:
            read_case(path, k)
        lines[record] = [p.mark.line for p in caught.value.problems]
    good, bad = lines.values()
    assert good == [3, 5, 6, 8, 9, 10, 11, 12, 13]
    assert bad == [2, *good]


def test_both_mistakes_of_an_entry_are_told(tmp_path: Path, k: m.Knowledge) -> None:
    path = tmp_path / "case.yaml"
    path.write_text(
        (
            "case: 1\nlog:\n  - {check: unit-answers, at: unit 99, answer: sillent}\n"
            "  - {remedy: nothing, at: unit 99}\n  - {fact: unit.setting, at: unit 99, is: many}\n"
        ),
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        read_case(path, k)
    assert [p.mark.line for p in caught.value.problems] == [3, 3, 4, 4, 5, 5]
