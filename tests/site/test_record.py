"""The install record: what it says, and everything that can be wrong with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.load import load
from diagnose.knowledge.model import Knowledge
from diagnose.site.model import Site
from diagnose.site.places import FAR, NEAR, SITE, Place
from diagnose.site.record import RecordReader, parse_fact
from diagnose.source.located import read_text
from diagnose.source.problems import Problem

SITES = Path(__file__).resolve().parents[1] / "sites"


@pytest.fixture(scope="module")
def k() -> Knowledge:
    return load(cache=False)


def read(k: Knowledge, text: str) -> tuple[Site | None, list[Problem]]:
    reader = RecordReader(k.facts)
    site = reader.read(read_text(text, "r.yaml"))
    assert (site is None) == bool(reader.problems)
    return site, reader.problems


def sound(k: Knowledge, text: str) -> Site:
    site, problems = read(k, text)
    assert site is not None, "\n".join(p.line() for p in problems)
    return site


@pytest.mark.parametrize("path", sorted(SITES.glob("*.yaml")), ids=lambda p: p.stem)
def test_the_example_sites_are_sound(k: Knowledge, path: Path) -> None:
    site = sound(k, path.read_text(encoding="utf-8"))
    assert site.units == tuple(range(1, len(site.units) + 1))


TWO = """\
install-record: 1
name:  Two  chains
site: {system: split-120-240, ambient: 95 F, outdoor: no}
panels: [{breaker: 400 A}, {breaker: 200 A, name: north}]
units:
  count: 10
  each: {setting: 40 A, breaker: 50 A, panel: 1}
  except:
    "7": {setting: 48 A}
    8-10: {panel: 2, setting: 16 A}
    "1, 3": {circuit: shared}
trunks:
  - {units: 1-5, segment-length: 12 m, except-segments: {"4-5": 60 m, 2-1: 40 ft}, kind: rs485, terminators-at: [1, 5]}
  - {units: "10-10, 9, 8, 6-7", controller: 8, name: east, bit-rate: 9600}
uplinks: [{unit: 1, units: 1-5, kind: ethernet}, {unit: 8, units: 6-10, kind: cellular}]
controls: [{units: 1-3}, {unit: 4, units: "4, 5"}]
"""


def test_several_of_everything(k: Knowledge) -> None:
    site = sound(k, TWO)
    assert site.name == "Two chains"
    assert site.number("site.ambient") == pytest.approx(35.0)
    assert site.get("site.outdoor") is False
    assert site.word("site.outdoor") == "no"
    assert site.panels == (1, 2)
    assert site.places("panel") == (Place("panel", 1), Place("panel", 2))
    assert [site.panel_of(n) for n in (1, 7, 8, 10)] == [1, 1, 2, 2]
    assert site.number("panel.breaker", Place("unit", 9)) == 200
    assert site.units_of(Place("panel", 2)) == (8, 9, 10)
    one, two = site.trunks
    assert (one.units, one.controller, one.name) == ((1, 2, 3, 4, 5), 1, "trunk 1")
    assert one.segment_m == (pytest.approx(12.192), 12.0, 12.0, 60.0)
    assert (two.units, two.controller, two.name) == ((10, 9, 8, 6, 7), 8, "east")
    assert two.segment_m == (None,) * 4
    assert site.places("segment")[-1] == Place("segment", 6, 7)
    assert site.places("trunk-end") == tuple(Place("trunk-end", n, e) for n in (1, 2) for e in (NEAR, FAR))
    assert site.host(Place("trunk-end", 2, FAR)) == 7
    assert site.host(Place("trunk-end", 2, NEAR)) == 10
    assert site.host(Place("trunk", 2)) == 8
    assert site.number("trunk.bit-rate", Place("unit", 6)) == 9600
    assert site.number("trunk.bit-rate", Place("segment", 9, 8)) == 9600
    assert site.number("trunk.bit-rate", Place("unit", 1)) is None
    assert site.word("uplink.kind", Place("unit", 9)) == "cellular"
    assert site.word("uplink.kind", Place("uplink", 1)) == "ethernet"
    assert site.controls[0].unit == 1
    assert site.units_of(Place("control", 2)) == (4, 5)
    assert site.circuit_of(1) == site.circuit_of(3) == "shared"
    assert site.circuit_of(2) != site.circuit_of(4)


def test_exceptions_override_and_ranges_spread(k: Knowledge) -> None:
    site = sound(k, TWO)
    settings = [site.number("unit.setting", Place("unit", n)) for n in site.units]
    assert settings == [40, 40, 40, 40, 40, 40, 48, 16, 16, 16]
    assert all(site.number("unit.breaker", Place("unit", n)) == 50 for n in site.units)


def test_a_fact_set_later_wins_and_leaves_the_old_site_alone(k: Knowledge) -> None:
    site = sound(k, TWO)
    changed = site.with_fact("unit.setting", Place("unit", 2), 32.0)
    assert (changed.number("unit.setting", Place("unit", 2)), site.number("unit.setting", Place("unit", 2))) == (32, 40)
    assert changed.number("unit.setting", Place("unit", 1)) == 40
    everywhere = site.with_fact("unit.setting", SITE, 24.0)
    assert {everywhere.number("unit.setting", Place("unit", n)) for n in site.units} == {24}
    trunks = site.with_fact("trunk.bit-rate", SITE, 19200.0)
    assert {trunks.number("trunk.bit-rate", p) for p in trunks.places("trunk")} == {19200}
    by_unit = site.with_fact("trunk.bit-rate", Place("unit", 9), 38400.0)
    assert by_unit.number("trunk.bit-rate", Place("trunk", 2)) == 38400
    assert by_unit.number("trunk.bit-rate", Place("trunk", 1)) is None
    assert site.with_fact("site.ambient", SITE, 20.0).number("site.ambient", Place("unit", 1)) == 20


def test_the_largest_site(k: Knowledge) -> None:
    site = sound(k, "install-record: 1\nunits: {count: 247, each: {setting: 32 A}}\ntrunks: [{}]\nuplinks: [{}]\n")
    assert len(site.units) == 247
    assert len(site.places("segment")) == 246
    assert site.find("1-247", "unit") == site.places("unit")
    assert site.find("all", "segment") == site.places("segment")
    assert site.host(Place("uplink", 1)) == 1
    assert site.host(Place("trunk-end", 1, FAR)) == 247
    _, problems = read(k, "install-record: 1\nunits: {count: 248}\n")
    assert [p.mark.line for p in problems] == [2]


def test_the_smallest_record(k: Knowledge) -> None:
    site = sound(k, "install-record: 1\nunits: {count: 1}\n")
    assert (site.name, site.units, site.panels, site.trunks) == ("unnamed site", (1,), (1,), ())
    assert site.places("segment") == ()
    assert site.get("trunk.kind", Place("unit", 1)) is None
    one = sound(k, "install-record: 1\nunits: {count: 1}\ntrunks: [{units: 1}]\n")
    assert one.places("segment") == ()
    assert len(one.places("trunk-end")) == 2


HEAD = "install-record: 1\nunits: {count: 6}\n"
# name, text, (line, words)
WRONG: list[tuple[str, str, list[tuple[int, str]]]] = [
    ("a list", "- install-record: 1\n", [(1, "is a mapping")]),
    ("a text", "install-record\n", [(1, "is a mapping")]),
    ("no version", "units: {count: 1}\n", [(1, "version 1")]),
    ("another version", "name: x\ninstall-record: 2\nunits: {count: 1}\n", [(2, "version 1")]),
    ("a mapping for the version", "install-record: {a: 1}\nunits: {count: 1}\n", [(1, "version 1")]),
    ("no units", "install-record: 1\nname: x\n", [(1, "no units")]),
    ("units as a list", "install-record: 1\nunits: [1, 2]\n", [(2, "wants a mapping")]),
    ("units as a number", "install-record: 1\nunits: 5\n", [(2, "wants a mapping")]),
    *[
        (f"a count of {count}", f"install-record: 1\nunits:\n  count: {count}\n", [(3, "from 1 to 247")])
        for count in ("0", "-1", "1.5", "1e2", "many", "248", "99999999999999", "'²'", "[3]", "0x10", "''")
    ],
    ("no count", "install-record: 1\nunits: {each: {setting: 40 A}}\n", [(2, "from 1 to 247")]),
    ("an unknown section", HEAD + "trunk: [{}]\n", [(3, "did you mean 'trunks'?")]),
    ("an unknown key of units", "install-record: 1\nunits: {count: 6, al: {}}\n", [(2, "known: count, each, except")]),
    ("an unknown fact", "install-record: 1\nunits:\n  count: 6\n  each:\n    seting: 40 A\n", [(5, "did you mean 'setting'?")]),
    ("an unknown fact of a trunk", HEAD + "trunks:\n  - units: 1-3\n    bitrate: 9600\n", [(5, "did you mean 'bit-rate'?")]),
    ("a fact in the wrong section", HEAD + "site: {setting: 40 A}\n", [(3, "unknown fact 'setting'")]),
    ("a quantity of another sort", HEAD + "site: {ambient: 35 A}\n", [(3, "unit of")]),
    ("a quantity with two readings", HEAD + "site: {journey: '1:30'}\n", [(3, "two ways")]),
    ("a range for a quantity", HEAD + "site: {ambient: 20-30 C}\n", [(3, "range")]),
    ("no number", HEAD + "site: {ambient: warm}\n", [(3, "no number")]),
    ("a mapping for a quantity", HEAD + "site: {ambient: {low: 1}}\n", [(3, "wants one value")]),
    ("nothing for a quantity", HEAD + "site: {ambient: }\n", [(3, "nothing was typed")]),
    ("a negative quantity", HEAD + "panels: [{breaker: -5 A}]\n", [(3, "negative")]),
    ("a huge quantity", HEAD + "panels: [{breaker: 1e30 A}]\n", [(3, "larger than anything")]),
    ("an unknown choice", HEAD + "site: {system: split-120-204}\n", [(3, "did you mean 'split-120-240'?")]),
    ("neither yes nor no", HEAD + "site: {outdoor: partly}\n", [(3, "neither yes nor no")]),
    ("a broken number", "install-record: 1\nunits: {count: 6, each: {address: 1.5}}\n", [(2, "whole number")]),
    ("a number of no thing", "install-record: 1\nunits: {count: 6, each: {panel: 1e18}}\n", [(2, "larger than 1000000000")]),
    ("an exception for no unit", "install-record: 1\nunits:\n  count: 6\n  except:\n    7: {setting: 40 A}\n", [(5, "there is no unit 7")]),
    ("an exception for unit 0", "install-record: 1\nunits:\n  count: 6\n  except:\n    0-2: {setting: 40 A}\n", [(5, "there is no unit 0")]),
    ("an exception for a word", "install-record: 1\nunits:\n  count: 6\n  except:\n    last: {setting: 40 A}\n", [(5, "written like")]),
    ("an exception backwards", "install-record: 1\nunits:\n  count: 6\n  except:\n    5-2: {setting: 40 A}\n", [(5, "backwards")]),
    ("an exception of nothing", "install-record: 1\nunits:\n  count: 6\n  except:\n    2: 40 A\n", [(5, "wants a mapping")]),
    ("exceptions as a list", "install-record: 1\nunits:\n  count: 6\n  except: [2]\n", [(4, "wants a mapping")]),
    ("trunks as a mapping", HEAD + "trunks: {units: 1-6}\n", [(3, "wants a list")]),
    ("a trunk as a text", HEAD + "trunks:\n  - 1-6\n", [(4, "wants a mapping")]),
    ("too many panels", HEAD + "panels: [" + ", ".join(["{}"] * 248) + "]\n", [(3, "more than 247")]),
    ("a trunk of no unit here", HEAD + "trunks: [{units: 1-7}]\n", [(3, "there is no unit 7")]),
    ("a trunk of too many", HEAD + "trunks: [{units: 1-999999}]\n", [(3, "more than 247")]),
    ("a trunk of words", HEAD + "trunks: [{units: all}]\n", [(3, "written like")]),
    ("a trunk of mappings", HEAD + "trunks: [{units: [{a: 1}]}]\n", [(3, "written like")]),
    ("a controller elsewhere", HEAD + "trunks:\n  - units: 1-3\n    controller: 5\n", [(5, "one unit of this trunk")]),
    ("two controllers", HEAD + "trunks: [{units: 1-3, controller: 1-2}]\n", [(3, "one unit of this trunk")]),
    ("a unit on two trunks", HEAD + "trunks: [{units: 1-3}, {units: 3-6}]\n", [(3, "unit 3 is on two trunks")]),
    ("a length that is none", HEAD + "trunks: [{units: 1-3, segment-length: 12 A}]\n", [(3, "wants a length")]),
    ("a length of a kilometre or so", HEAD + "trunks: [{units: 1-3, segment-length: 20 km}]\n", [(3, "wants a length")]),
    ("a length in a list", HEAD + "trunks: [{units: 1-3, segment-length: [1, 2]}]\n", [(3, "wants a length")]),
    ("a segment that is none", HEAD + "trunks:\n  - units: 1-3\n    except-segments:\n      1-3: 12 m\n", [(6, "no segment '1-3'")]),
    ("a segment of one unit", HEAD + "trunks: [{units: 1-3, except-segments: {2: 12 m}}]\n", [(3, "no segment '2'")]),
    ("a segment of three", HEAD + "trunks: [{units: 1-3, except-segments: {1-2-3: 12 m}}]\n", [(3, "no segment '1-2-3'")]),
    ("a segment in odd digits", HEAD + "trunks: [{units: 1-3, except-segments: {1-²: 12 m}}]\n", [(3, "no segment")]),
    ("a segment without length", HEAD + "trunks: [{units: 1-3, except-segments: {1-2: far}}]\n", [(3, "wants a length")]),
    ("terminators off the trunk", HEAD + "trunks:\n  - units: 1-3\n    terminators-at: [1, 6]\n", [(5, "unit 6 is not on this trunk")]),
    ("an uplink on no unit", HEAD + "uplinks:\n  - unit: 9\n", [(4, "there is no unit 9")]),
    ("an uplink on two units", HEAD + "uplinks: [{unit: 1-2}]\n", [(3, "the one unit")]),
    ("a control of no unit here", HEAD + "controls:\n  - unit: 1\n    units: 4-9\n", [(5, "there is no unit 7")]),
    (
        "a panel that is not there",
        "install-record: 1\npanels: [{}]\nunits:\n  count: 6\n  except:\n    3-4: {panel: 2}\n",
        [(6, "unit 3 is on panel 2")],
    ),
    ("a name that is a list", HEAD + "name: [a]\n", [(3, "wants a text")]),
    ("an empty name", HEAD + "name: ''\n", [(3, "wants a text")]),
    (
        "several at once",
        "install-record: 1\nsite: {system: x}\nunits: {count: 3, each: {seting: 1}}\ntrunks: [{units: 1-9}]\nfoo: 1\n",
        [(5, "unknown section 'foo'"), (2, "no choice"), (3, "unknown fact"), (4, "there is no unit 4")],
    ),
]


@pytest.mark.parametrize(("text", "told"), [w[1:] for w in WRONG], ids=[w[0] for w in WRONG])
def test_what_is_wrong_is_told_at_its_line(k: Knowledge, text: str, told: list[tuple[int, str]]) -> None:
    site, problems = read(k, text)
    assert site is None
    assert [p.mark.line for p in problems] == [line for line, _ in told], [p.line() for p in problems]
    for problem, (_, words) in zip(problems, told, strict=True):
        assert words in problem.line(), problem.line()
        assert problem.line().isprintable()
        assert problem.lint == "install-record"


def test_facts_as_people_write_them(k: Knowledge) -> None:
    assert parse_fact(k.facts["site.outdoor"], " YES ") is True
    assert parse_fact(k.facts["site.outdoor"], "off") is False
    assert parse_fact(k.facts["site.system"], "Split 120 240") == "split-120-240"
    assert parse_fact(k.facts["trunk.terminators-at"], "1, 12") == (1, 12)
    assert parse_fact(k.facts["site.ambient"], "-10 C") == -10
    assert parse_fact(k.facts["unit.address"], "12") == 12
