"""A case written as YAML: install record, complaint and what was answered, in order.

    case: 1
    title: Units beyond five are silent
    install-record: ../tests/sites/harbour-12.yaml     # a path beside this file, or the record itself
    role: technician
    complaint: half the chain is silent
    log:
      - {check: danger-signs, at: all, answer: none}
      - {check: unit-answers, at: 6-12, answer: silent, complaint: yes}
      - {fact: trunk.bit-rate, at: trunk 1, is: "19200"}
      - {remedy: remake-joint, at: segment 5-6}
      - {note: The gland was loose}

A worked case for `replay` also has `hidden` (the truth), `answers` (what the site would answer) and
`expect` (what has to come out).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from diagnose.casework.answers import said
from diagnose.casework.events import Event
from diagnose.casework.state import (
    BARE_RECORD,
    MADE_SAFE,
    AnswerError,
    find_places,
    parse_place,
    read_site,
    take_answer,
)
from diagnose.knowledge import model as m
from diagnose.knowledge.fields import Fields
from diagnose.site.model import Site
from diagnose.site.places import KINDS, SITE, Place, PlaceError, describe
from diagnose.site.record import RecordReader, parse_fact
from diagnose.source.located import Block, Row, Text, Value, read_file, read_plain
from diagnose.source.problems import InputError, Mark, Problem, nearest, one_line, shown

LONGEST_TITLE = 200
EPOCH = "2026-01-01T00:00:00Z"  # a case file has no clock; its events stand in order


class Answer(NamedTuple):
    """What the site answers to a check; `places` empty means wherever it is asked."""

    check: str
    places: tuple[Place, ...]
    text: str


class Expect(NamedTuple):
    """What has to come out of a worked case."""

    fault: str
    place: Place | None
    confidence: float
    steps: int


class CaseFile(NamedTuple):
    """A case file, read and checked. `site` is its install record; `data` opens the case."""

    title: str
    data: dict[str, Any]
    log: tuple[tuple[str, dict[str, Any]], ...]
    site: Site
    hidden: tuple[tuple[str, Place], ...]
    answers: tuple[Answer, ...]
    expect: Expect | None

    def events(self) -> tuple[Event, ...]:
        """The case as events, the opening first."""
        rows = [("opened", self.data), *self.log]
        role = str(self.data.get("role", "technician"))
        return tuple(Event(
            id=f"e{n}", case="file", seq=n, at=EPOCH, kind=kind, data=data, by=role,
        ) for n, (kind, data) in enumerate(rows, 1))


def read_case(path: Path, k: m.Knowledge, shown_as: str | None = None) -> CaseFile:
    """The case in a YAML file. Raises InputError with every problem at its line."""
    name = shown_as or str(path)
    document = read_file(path, name)
    problems: list[Problem] = []
    if not isinstance(document, Block) or "case" not in document:
        raise InputError([Problem(document.mark, "not a case file", "begin with 'case: 1'", "case-file")])
    f = Fields(document, problems, "case")
    if f.text("case") != "1":
        f.problem(f.mark("case"), "not a case file of version 1", "begin with 'case: 1'", "case-file")
    title = f.text("title", False) or one_line(path.stem, LONGEST_TITLE)
    if len(title) > LONGEST_TITLE or not title.isprintable():
        f.problem(f.mark("title"), "'title' does not fit a list", f"one line of at most {LONGEST_TITLE} characters", "case-file")
    record, site = _record(f, k, path)
    role = f.word("role", m.ROLES, "technician", m.FORMER_ROLES)
    instruments = f.texts("instruments")
    for word in instruments:
        if word not in m.INSTRUMENTS:
            f.problem(
                f.mark("instruments"), f"there is no instrument {shown(word)}",
                nearest(word, m.INSTRUMENTS) or "known: " + ", ".join(m.INSTRUMENTS), "case-file",
            )
    data: dict[str, Any] = {"title": title, "record": record, "role": role, "complaint": f.text("complaint", False)}
    if instruments:
        data["instruments"] = list(instruments)
    if "on-site" in document:
        data["on-site"] = f.yes("on-site")
    log = []
    rows = f.rows("log")
    hidden_rows, answer_rows = f.rows("hidden"), f.rows("answers")
    expect_value = f.value("expect", False)
    f.finish()
    now = role
    for row in rows:
        if (entry := _entry(row, k, site, now)) is not None:
            log.append(entry)
            now = str(entry[1]["role"]) if entry[0] == "role" else now
    hidden = tuple(h for row in hidden_rows if (h := _hidden(row, k, site)) is not None)
    answers = tuple(a for row in answer_rows if (a := _answer(row, k, site)) is not None)
    expect = _expect(Fields(expect_value, problems, "expect"), k, site) if isinstance(expect_value, Block) else None
    if expect_value is not None and expect is None and not isinstance(expect_value, Block):
        f.problem(f.mark("expect"), "'expect' wants a mapping", "for instance expect: {fault: x, at: segment 4-5}", "case-file")
    if problems or site is None:  # a record that cannot be read does not hide what else is wrong
        raise InputError(problems)
    return CaseFile(title=title, data=data, log=tuple(log), site=site, hidden=hidden, answers=answers, expect=expect)


def _record(f: Fields, k: m.Knowledge, path: Path) -> tuple[str, Site | None]:
    value: Value | None = f.value("install-record", False)
    if value is None:
        return BARE_RECORD, read_site(BARE_RECORD, k)
    if isinstance(value, Text):
        try:
            text = read_plain(path.parent / str(value), str(value))
            return text, read_site(text, k, str(value))
        except InputError as error:
            if error.problems[0].lint == "file":
                f.problem(
                    value.mark,
                    f"the install record {shown(value)} cannot be read: {error.problems[0].message}",
                    "name a file beside this one", "case-file",
                )
            else:
                f.problems.extend(error.problems)
        return "", None
    reader = RecordReader(k.facts)
    site = reader.read(value)
    f.problems.extend(reader.problems)
    return dump(value), None if reader.problems else site


def dump(value: Value) -> str:
    """A YAML value written out again in flow form, every scalar in quotes."""
    if isinstance(value, Text):
        return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ") + '"'
    if isinstance(value, Row):
        return "[" + ", ".join(dump(item) for item in value) + "]"
    return "{" + ", ".join(f"{dump(Text(key, value.keys_at[key]))}: {dump(item)}" for key, item in value.items()) + "}"


def _entry(row: Fields, k: m.Knowledge, site: Site | None, role: str) -> tuple[str, dict[str, Any]] | None:
    block = row.block
    if "check" in block:
        answer = _answer(row, k, site, finish=False)
        complaint = row.yes("complaint")
        row.finish()
        if answer is None:
            return None
        data: dict[str, Any] = {"check": answer.check, "answer": answer.text, "at": describe(answer.places) if answer.places else ""}
        if complaint:
            data["complaint"] = True
        return "reading", data
    if "fact" in block:
        return _fact_entry(row, k, site)
    if "remedy" in block:
        name, at = k.today("remedy", row.text("remedy")), row.text("at", False) or "site"
        row.finish()
        place = _some_place(site, at)
        if name and name not in k.remedies:
            row.problem(row.mark("remedy"), f"there is no remedy {shown(name)}", nearest(name, k.remedies), "case-file")
        if place is None:
            row.problem(row.mark("at"), f"there is no place {shown(at)}", "for instance unit 5, segment 4-5, far end, uplink 1", "case-file")
        return "remedy", {"remedy": name, "at": str(place)}
    if "note" in block:
        text = row.text("note")
        row.finish()
        return "note", {"text": text}
    if "made-safe" in block:
        return _made_safe(row, site, role)
    if "energized" in block:
        at = row.text("energized")
        row.finish()
        place = _some_place(site, at)
        if place is None:
            row.problem(row.mark("energized"), f"there is no place {shown(at)}", "for instance unit 5 or panel 1", "case-file")
            return None
        return "danger", {"what": "energized", "at": str(place)}
    if "role" in block:
        word = row.word("role", m.ROLES, former=m.FORMER_ROLES)
        row.finish()
        return "role", {"role": word}
    row.problem(
        block.mark, "a log entry names check, fact, remedy, made-safe, energized, role or note",
        "for instance {check: unit-answers, at: 5-9, answer: silent}", "case-file",
    )
    return None


def _made_safe(row: Fields, site: Site | None, role: str) -> tuple[str, dict[str, Any]] | None:
    """`made-safe: yes` for everything that stands, or the place that was isolated."""
    text = row.text("made-safe")
    row.finish()
    place = None if text == "yes" else _some_place(site, text)
    if text != "yes" and place is None:
        row.problem(
            row.mark("made-safe"), f"'made-safe' cannot be {shown(text)}",
            "yes, or the place: unit 5, panel 1; leave the entry out until it has been made safe", "case-file",
        )  # fmt: skip
        return None
    if not m.may(role, "technician"):
        row.problem(row.block.mark, f"{m.a_role(role)} cannot report a place as made safe", "role technician or above", "case-file")
        return None
    if place is None:
        return "fact", {"key": MADE_SAFE, "text": "yes", "at": "site"}
    return "danger", {"what": MADE_SAFE, "at": str(place)}


def _places(site: Site | None, kind: str, text: str) -> tuple[Place, ...]:
    """The places that a text names; nothing is said of places where the record could not be read. Raises AnswerError."""
    return find_places(site, kind, text) if site is not None and text else ()


def _some_place(site: Site | None, text: str) -> Place | None:
    """The one place that a text names, of any kind; the site where the record could not be read."""
    if site is None:
        return SITE
    place = parse_place(site, text)
    if place is not None:
        return place
    first = text.split(" ", 1)[0].lower()
    kinds = ["trunk-end", "trunk"] if first == "trunk" else [first] if first in KINDS else ["trunk-end", "unit", "segment"]
    for kind in kinds:
        try:
            found = (SITE,) if kind == "site" else site.find(text, kind)
            if len(found) == 1:
                return found[0]
        except PlaceError:
            continue
    return None


def _fact_entry(row: Fields, k: m.Knowledge, site: Site | None) -> tuple[str, dict[str, Any]] | None:
    key, text, at = k.today("fact", row.text("fact")), row.text("is"), row.text("at", False) or "all"
    row.finish()
    spec = k.facts.get(key)
    if not key or not text:
        return None
    if spec is None:
        row.problem(row.mark("fact"), f"there is no install fact {shown(key)}", nearest(key, k.facts), "case-file")
        return None
    wrong = len(row.problems)
    try:
        parse_fact(spec, text)
    except PlaceError as error:
        row.problem(row.mark("is"), str(error), "", "case-file")
    try:
        _places(site if spec.section != "site" else None, spec.section, at)
    except AnswerError as error:
        row.problem(row.mark("at"), str(error), "", "case-file")
    return ("fact", {"key": key, "text": text, "at": at}) if len(row.problems) == wrong else None


def _answer(row: Fields, k: m.Knowledge, site: Site | None, finish: bool = True) -> Answer | None:
    name, at = k.today("check", row.text("check")), row.text("at", False)
    text = k.today("outcome", row.text("answer"), name)
    if finish:
        row.finish()
    check = k.checks.get(name)
    if check is None:
        if name:
            row.problem(row.mark("check"), f"there is no check {shown(name)}", nearest(name, k.checks), "case-file")
        return None
    places: tuple[Place, ...] = ()
    wrong = len(row.problems)
    try:
        places = _places(site, check.at, at)
    except AnswerError as error:
        row.problem(row.mark("at"), str(error), "", "case-file")
    try:
        if text and (site is not None or not check.gauge):  # what a value means depends on the record
            take_answer(k, site or read_site(BARE_RECORD, k), check, places, text)
    except AnswerError as error:
        row.problem(row.mark("answer"), str(error), "", "case-file")
    if not text or len(row.problems) > wrong:
        return None
    same = said(check, text)  # as the shell records it: what raises a danger is compared with the outcome's name
    return Answer(name, places, same[0] if len(same) == 1 else text)


def _hidden(row: Fields, k: m.Knowledge, site: Site | None) -> tuple[str, Place] | None:
    name, at = k.today("fault", row.text("fault")), row.text("at", False)
    row.finish()
    fault = k.faults.get(name)
    if not name:
        return None
    if fault is None:
        row.problem(row.mark("fault"), f"there is no fault {shown(name)}", nearest(name, k.faults), "case-file")
        return None
    try:
        places = _places(site, fault.at, at) if at or site is None else site.places(fault.at)
    except AnswerError as error:
        row.problem(row.mark("at"), str(error), "", "case-file")
        return None
    if site is None:
        return None
    if not places:
        row.problem(row.mark("at"), f"the record has no {fault.at}", "", "case-file")
        return None
    return name, places[0]


def _expect(f: Fields, k: m.Knowledge, site: Site | None) -> Expect | None:
    name, at = k.today("fault", f.text("fault")), f.text("at", False)
    confidence = f.number("confidence", 0, 1) if "confidence" in f.block else 0.95
    steps = int(f.number("steps-at-most", 1, 200)) if "steps-at-most" in f.block else 200
    f.used |= {"confidence", "steps-at-most"}
    f.finish()
    if not name:
        return None
    if name not in k.faults:
        f.problem(f.mark("fault"), f"there is no fault {shown(name)}", nearest(name, k.faults), "case-file")
        return None
    try:
        places = _places(site, k.faults[name].at, at)
    except AnswerError as error:
        f.problem(f.mark("at"), str(error), "", "case-file")
        return None
    return Expect(name, places[0] if places else None, confidence, steps)


__all__ = ["Answer", "CaseFile", "Expect", "Mark", "dump", "read_case"]
