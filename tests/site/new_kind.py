"""A kind of place that the program does not know, through a row, its facts and its rules alone. Run as a program: it changes KINDS.

Prints, as JSON, what the checker says of a rule base that speaks of the kind, and what comes of a case at it.
"""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

from diagnose.site.places import KINDS, Kind

# The row has to stand before anything else of the program is imported, as it would in places.py.
KINDS["sub-panel"] = Kind(
    name="sub-panel", says="a sub-panel", rows="sub-panels", keys=("name", "unit", "units"), sees=("site", "sub-panel"),
    seen_from=("unit",), consists=True, around=("sub-panel", "unit", "panel", "site"),
)
# One that stands at a single unit: its rows have no `units`.
KINDS["local-switch"] = Kind(
    name="local-switch", says="a local switch", rows="local-switches", keys=("name", "unit"), sees=("site", "local-switch"),
    seen_from=("unit",), consists=True, around=("local-switch", "unit", "panel", "site"),
)  # fmt: skip

from diagnose.casework.dangers import belongs  # noqa: E402
from diagnose.casework.gate import touches  # noqa: E402
from diagnose.casework.state import read_site  # noqa: E402
from diagnose.knowledge.load import build, load  # noqa: E402
from diagnose.knowledge.model import Knowledge  # noqa: E402
from diagnose.report.catalogue import catalogue  # noqa: E402
from diagnose.shell.desk import Desk, Options  # noqa: E402
from diagnose.shell.router import Router  # noqa: E402
from diagnose.site.places import SITE, Place  # noqa: E402
from diagnose.site.relations import HERE, index_places, lookup_words  # noqa: E402
from diagnose.source.problems import InputError  # noqa: E402

RULES = """
- fact: sub-panel.stands
  title: Where the sub-panel stands
  kind: choice
  choices: {indoors: in a room, outdoors: in the open}
  ask: Where does the sub-panel stand?
  sources: [common-practice]

- check: sub-panel-handle
  title: Handle of the sub-panel's main switch
  at: sub-panel
  kind: question
  ask: How does the handle of the main switch of {place} stand?
  how: Ask for the words beside the handle. The door stays shut.
  instrument: none
  outcomes:
    handle-up: it points to ON
    handle-down: it points to OFF
  role: caller
  state: any
  reach: phone
  minutes: 2
  sources: [common-practice]

- remedy: tell-the-owner-of-the-sub-panel
  title: Have the owner see to the sub-panel
  do: Tell whoever is in charge of the sub-panel what was found. Nothing is touched.
  role: caller
  state: any
  reach: phone
  minutes: 5
  sources: [common-practice]

- fault: sub-panel-left-off
  title: Sub-panel left switched off
  says: Its main switch was left off after the work, so every unit behind it is dark.
  at: sub-panel
  nature: fault
  severity: out-of-service
  prior: uncommon
  given: {sub-panel.stands: [outdoors]}
  shows:
    - {check: sub-panel-handle, outcome: handle-down, how-often: always}
    - {check: unit-power, outcome: dark, how-often: always}
  remedy: tell-the-owner-of-the-sub-panel
  prove: [sub-panel-handle]
  looks-the-same: [unit-behind-open-sub-panel]
  sources: [common-practice]

- fault: unit-behind-open-sub-panel
  title: Moisture from an open sub-panel
  says: Water runs along the conduit from the sub-panel to the unit and darkens it.
  at: unit
  nature: fault
  severity: out-of-service
  prior: uncommon
  given: {sub-panel.stands: [outdoors]}
  shows:
    - {check: unit-power, outcome: dark, how-often: usually}
  remedy: tell-the-owner-of-the-sub-panel
  prove: [unit-power]
  looks-the-same: [sub-panel-left-off]
  sources: [common-practice]
"""
RECORD = """install-record: 1
name: a site with sub-panels
units: {count: 6}
sub-panels: [{units: 1-3, stands: indoors}, {units: 4-6, stands: outdoors}]
local-switches: [{unit: 2}, {unit: 5}]
"""
WRONG_ROWS = ("{name: by the door}", "{unit: 9}", "{unit: 1-2}", "{unit: 1, units: 1-3}")


def refused(k: Knowledge, row: str) -> list[str]:
    """What is said of a record whose second local switch is `row`."""
    try:
        read_site(RECORD.replace("{unit: 5}", row), k)
    except InputError as error:
        return [p.line() for p in error.problems]
    return []


def main(shipped: Path, folder: Path) -> None:
    rules = folder / "rules"
    shutil.copytree(shipped, rules)
    (rules / "sub-panels").mkdir()
    (rules / "sub-panels" / "all.yaml").write_text(RULES)
    record = folder / "site.yaml"
    record.write_text(RECORD)
    _, problems = build(rules)
    k = load(rules)
    router = Router(Desk(str(folder / "cases.db"), str(rules)), Options(role="technician", record=str(record)), 100)
    said = [router.start()]
    for line in ("n", "units 4-6 are dark", "1", "", "y", "read sub-panel-handle = handle-down", "2"):
        said.append(router.handle(line))
    s = router.case
    assert s.site is not None
    assert s.seen is not None
    site, index = s.site, index_places(s.site)
    words = {
        f"{a} {b}": lookup_words(int(index.relation[index.number[a], index.number[b]]))[0]
        for a in site.places("sub-panel") for b in site.places("unit")
    }  # fmt: skip
    first = s.seen.suspects[0]
    told = {
        "problems": [p.line() for p in problems],
        "places": [str(p) for p in site.places("sub-panel")],
        "fact at unit 5": site.word("sub-panel.stands", Place("unit", 5)),
        "here": [pair for pair, word in words.items() if word == lookup_words(HERE)[0]],
        "first": [first.fault, str(first.places[0][0])],
        "stored": [e.data.get("at") for e in s.book.events if e.data.get("check") == "sub-panel-handle"] if s.book else [],
        "asked": any("at which sub-panel?" in line.text for lines in said for line in lines),
        "catalogued": "a sub-panel" in catalogue(k),
        "at one unit": [list(site.units_of(p)) for p in site.places("local-switch")],
        "refused": [refused(k, row) for row in WRONG_ROWS],
        "lifts": [str(p) for kind in KINDS for p in site.places(kind) if belongs(site, p, SITE)],
        "stopped beside": touches(site, Place("sub-panel", 2), frozenset([Place("unit", 5)])),
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
