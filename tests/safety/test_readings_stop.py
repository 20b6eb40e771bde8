"""Readings that stop use, or hold a place back from everybody below technician, written out by hand.

Each row is a reading that tells of live parts in reach, of a ground or protection that is gone, of a joint that burns,
or of too much current. What it must bring is common practice of the trade; where a document says it, it is named beside
the row: OSHA 29 CFR 1910.333(a)(1) (live parts are de-energized), 1910.334(b)(2) (no re-closing after a protective
device has opened before it is known to be safe), NEC 110.12(B) (damaged parts), 110.14 (terminations), 240.4
(conductors protected at their ampacity), 250.4(A)(5) (effective ground-fault path), 625.42 (load and rating).
"""

from __future__ import annotations

import pytest

from diagnose.casework.assess import Assessor
from diagnose.casework.gate import barred
from diagnose.knowledge import model as m
from diagnose.site.places import SITE
from tests.safety.talk import events, first_place, reading
from tests.shell.sites import HARBOUR

STOP, HOLD = "stop", "hold"
ROWS = [
    # The connector may be live at rest: OSHA 1910.333(a)(1).
    ("contactor-poles", "joined-when-released", STOP),
    ("unit-fault-record", "contactor-error", STOP),
    ("connector-idle", "live", STOP),
    # Live parts in reach: NEC 110.12(B), OSHA 1910.333(a)(1).
    ("door-and-post-look", "door-ajar", STOP),
    ("door-and-post-look", "leaning", STOP),
    ("enclosure-look", "open-entry", STOP),
    ("enclosure-look", "cover-gap", HOLD),
    # Torn conductors and terminals after a blow or a pull.
    ("impact-story", "hit", STOP),
    ("impact-story", "driven-away", STOP),
    ("impact-story", "tampered", STOP),
    ("body-senses", "mechanical-damage", STOP),
    # Water: NEC 110.11.
    ("enclosure-look", "misted-window", HOLD),
    ("screen-look", "misted", HOLD),
    ("connection-look", "wet", STOP),
    ("inside-damp-look", "damp", STOP),
    # A lost neutral, a leg that gives way: common practice.
    ("feeder-legs", "unequal-to-neutral", STOP),
    ("leg-volts-course", "one-gone", STOP),
    ("leg-volts-course", "one-sags", STOP),
    ("leg-to-ground-volts", "off", STOP),
    # Joints that take harm: NEC 110.14.
    ("breaker-pole-millivolts", "bad", STOP),
    ("lug-look", "discolored", STOP),
    ("lug-look", "loose", STOP),
    ("connector-heat", "hot", STOP),
    # A device that opens at once, whichever reading says it: OSHA 1910.334(b)(2).
    ("unit-input-short", "shorted", STOP),
    ("trip-moment", "when-switched-on", STOP),
    ("trip-moment", "when-charging-starts", STOP),
    ("full-charge-after-test", "opens-again", STOP),
    ("trip-time-logged", "at-once", STOP),
    ("ground-fault-trips", "at-once", STOP),
    ("breaker-trips", "at-once", STOP),
    # No ground, no use: NEC 250.4(A)(5).
    ("unit-display-says", "ground-missing", STOP),
    ("unit-fault-record", "ground-monitor", STOP),
    ("neutral-ground-apart", "joined", STOP),
    ("source-grounding", "not-grounded", STOP),
    # More current than something is made for: NEC 240.4, 625.42.
    ("amps-at-breaker", "over-rating", STOP),
    ("amps-on-feeder", "over-rating", STOP),
    ("feeder-course", "over-limit", STOP),
    ("amps-while-charging", "above-setting", STOP),
    ("rating-plate-look", "below-setting", STOP),
    ("site-limit-set", "too-high", HOLD),
    ("conductor-size-look", "too-thin", STOP),
    # A pair that is fed from elsewhere.
    ("sensing-volts-open", "foreign", STOP),
    ("volts-on-lifted-pair", "fed", STOP),
    # Contacts that arc.
    ("connector-look", "worn-or-bent", STOP),
    ("plug-latch-feel", "needs-wiggling", STOP),
    # What the station itself reports.
    ("disabled-yet-charging", "charges", HOLD),
    ("reported-error-code", "high-temperature", HOLD),
    ("reported-error-code", "power-switch", STOP),
]
IDS = [f"{c}={o}" for c, o, _ in ROWS]
LOW = ("caller", "help-desk")


@pytest.fixture(scope="module")
def record() -> str:
    with open(HARBOUR, encoding="utf-8") as file:
        return file.read()


@pytest.mark.parametrize("reported", [False, True], ids=["own", "passed on"])
@pytest.mark.parametrize(("check", "outcome", "wanted"), ROWS, ids=IDS)
def test_a_reading_stops_use(assessor: Assessor, k: m.Knowledge, record: str, check: str, outcome: str, wanted: str, reported: bool) -> None:
    """Alone, from whoever took it: use is stopped where it was read, or nobody below technician uses the place."""
    site = assessor.state(events([], record, "caller")).site
    place = first_place(site, k.checks[check])
    more = {"reported-by": "somebody"} if reported else {}
    rows = [reading("danger-signs", "none", ", ".join(map(str, site.places("unit")))), reading(check, outcome, str(place), **more)]
    for role in LOW if wanted == HOLD else ("caller", "electrician"):
        state = assessor.state(events(rows, record, role))
        a = assessor.assess_state(state)
        if wanted == STOP:
            assert a.danger == "standing"
            assert any(place in s.places or SITE in s.places for s in a.stop_use)
            assert not a.steps
            assert not a.may_acquit
        else:
            assert any(place in h.places for h in a.holds)
            bars = assessor.bars(state, a)
            units = {p for p in site.places("unit") if p.number in site.units_of(place)}
            for step in a.steps:
                block = k.checks.get(step.id) or k.remedies[step.id]
                assert block.needs != "in-use" or not units & set(step.places), step.id
            for used in (x for x in (*k.checks.values(), *k.remedies.values()) if x.needs == "in-use"):
                assert all(barred(used, p, role, bars, site) for p in units), used.id


def test_mains_on_a_data_wire_stops_the_trunk(assessor: Assessor, record: str) -> None:
    """Mains to ground on the pair: the trunk is out of bounds, and it takes an electrician."""
    a = assessor.assess(
        events(
            [
                reading("danger-signs", "none", "units 1-12"),
                reading("line-to-common-volts", "mains", "unit 1"),
            ],
            record, "technician",
        )
    )
    assert a.danger == "standing"
    assert [s.danger for s in a.stop_use] == ["mains-on-trunk"]
    assert a.handover is not None
    assert a.handover.role == "electrician"


@pytest.mark.parametrize("volts", ["25 V", "-120 V", "120 V", "208 V", "230 V"])
def test_mains_between_the_commons_stops_the_trunk(assessor: Assessor, k: m.Knowledge, record: str, volts: str) -> None:
    """Mains between two commons is mains on the trunk as much as mains on a data wire is."""
    a = assessor.assess(events([reading("danger-signs", "none", "units 1-12"), reading("common-difference", volts, "trunk 1")], record, "technician"))
    assert a.danger == "standing"
    assert [(s.danger, str(s.places[0])) for s in a.stop_use] == [("mains-between-commons", "trunk 1")]
    assert {c for p in a.stop_use[0].proofs for c in p.checks} >= {"common-difference", "danger-signs"}
    assert [c[0] for c in a.stop_use[0].make_safe] == ["make-safe-pair"]
    assert not a.steps
    assert a.handover is not None
    assert a.handover.role == "electrician"
    assert "lock-out kit" in a.handover.kit


@pytest.mark.parametrize("volts", ["0.2 V", "3 V", "9 V", "24 V"])
def test_less_between_the_commons_does_not(assessor: Assessor, record: str, volts: str) -> None:
    """What the grounds of a site drift apart by is a fault of the trunk, and stops nobody's charging."""
    a = assessor.assess(events([reading("danger-signs", "none", "units 1-12"), reading("common-difference", volts, "trunk 1")], record, "technician"))
    assert a.danger == "none"


def test_what_is_normal_stops_nothing(assessor: Assessor, k: m.Knowledge, record: str) -> None:
    """The other side of the table: the normal answer of each of these checks leaves use as it is."""
    site = assessor.state(events([], record, "caller")).site
    rows = [reading("danger-signs", "none", "units 1-12")]
    rows += [reading(c, k.checks[c].normal, str(first_place(site, k.checks[c]))) for c in dict.fromkeys(c for c, _, _ in ROWS)]
    a = assessor.assess(events(rows, record, "electrician"))
    assert a.danger == "none"
    assert not a.holds
