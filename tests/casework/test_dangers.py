"""A danger's way from its first telling to its end, entry by entry, and every short cut that must not work."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from diagnose.casework import dangers
from diagnose.casework.events import Event
from diagnose.casework.state import fold, read_site
from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.site.places import SITE, Place

RECORD = (Path(__file__).resolve().parents[1] / "sites" / "depot-8.yaml").read_text(encoding="utf-8")
MOMENT = "2031-04-05T06:07:08Z"
Row = tuple[str, dict[str, Any]]
SIGN = "danger-signs"
AT = "unit 5"


@pytest.fixture(scope="module")
def k() -> m.Knowledge:
    return load()


def lives(k: m.Knowledge, rows: list[Row], role: str = "electrician") -> dict[tuple[str, str], str]:
    """(danger, place) -> status after these entries."""
    opened: Row = ("opened", {"title": "t", "role": role, "record": RECORD})
    events = [Event(f"e{n}", "C", n, MOMENT, kind, data, "x") for n, (kind, data) in enumerate([opened, *rows], 1)]
    return {(x.danger.id, str(x.place)): x.status for x in dangers.lives(k, fold(events, k), ())}


def says(check: str, answer: str, at: str = AT, **more: Any) -> Row:
    return "reading", {"check": check, "at": at, "answer": answer, **more}


def safe(at: str = AT) -> Row:
    return "danger", {"what": "made-safe", "at": at, "isolated": "breaker 5", "lock": "L-1", "tester": "proved"}


def power(at: str = AT) -> Row:
    return "danger", {"what": "energized", "at": at}


def mend(k: m.Knowledge, at: str = AT, **more: Any) -> Row:
    kind = at.split()[0]
    remedy = next(f.remedy for f in k.faults.values() if f.at == kind and m.may("electrician", k.remedies[f.remedy].role))
    return "remedy", {"remedy": remedy, "at": at, **more}


def role(name: str) -> Row:
    return "role", {"role": name}


def proofs(k: m.Knowledge, danger: str, at: str = AT) -> list[Row]:
    """Every proof of a block, normal, where it is taken for a unit."""
    site = read_site(RECORD, k)
    place = next(p for p in site.places("unit") if str(p) == at)
    rows = []
    for checks in k.dangers[danger].proofs:
        check = k.checks[checks[0]]
        rows += [says(check.id, check.normal, str(p)) for p in dangers.places_for(site, check.at, place)]
    return rows


def way(k: m.Knowledge, danger: str, sign: str) -> list[Row]:
    """The whole proper way for a sign at one unit."""
    return [says(SIGN, sign), safe(), mend(k), power(), *proofs(k, danger), says(SIGN, "none")]


def signs() -> list[str]:
    return list(load().checks[SIGN].outcome_ids[1:])


def block_of(k: m.Knowledge, sign: str) -> str:
    return next(d.id for d in k.dangers.values() if any(r.check == SIGN and sign in r.outcomes for r in d.raised_by))


@pytest.mark.parametrize("sign", signs())
def test_the_whole_way_ends_it(k: m.Knowledge, sign: str) -> None:
    danger = block_of(k, sign)
    rows = way(k, danger, sign)
    seen = [lives(k, rows[:n]).get((danger, AT)) for n in range(1, len(rows) + 1)]
    assert seen[:4] == ["standing", "made-safe", "repaired", "proving"]
    assert seen[-1] == "lifted"
    assert set(seen[4:-1]) <= {"proving"}


@pytest.mark.parametrize("sign", signs())
def test_no_entry_of_the_way_can_be_left_out(k: m.Knowledge, sign: str) -> None:
    danger = block_of(k, sign)
    rows = way(k, danger, sign)
    needed = [n for n in range(1, len(rows)) if rows[n] != power()]
    for n in needed:
        status = lives(k, rows[:n] + rows[n + 1 :])[danger, AT]
        assert status != "lifted", rows[n]


@pytest.mark.parametrize("sign", ["shock", "burning-smell", "water-inside", "damaged-cable"])
@pytest.mark.parametrize("low", ["caller", "help-desk", "technician"])
def test_no_entry_counts_from_a_role_too_low(k: m.Knowledge, sign: str, low: str) -> None:
    danger = block_of(k, sign)
    if m.may(low, k.dangers[danger].by):
        pytest.skip("this role may end this danger")
    rows = way(k, danger, sign)
    for n in range(1, len(rows)):
        if rows[n] == power():
            continue
        handed = [*rows[:n], role(low), rows[n], role("electrician"), *rows[n + 1 :]]
        assert lives(k, handed)[danger, AT] != "lifted", rows[n]


def test_what_is_passed_on_counts_when_it_is_vouched_for(k: m.Knowledge) -> None:
    rows = way(k, "shock", "shock")
    passed = [
        (kind, {**data, "reported-by": "an electrician"})
        if kind in ("reading", "remedy") and n
        else (kind, data)
        for n, (kind, data) in enumerate(rows)
    ]
    assert lives(k, passed)["shock", AT] != "lifted"
    names = [f"e{n}" for n in range(3, len(rows) + 2)]
    vouched: Row = ("danger", {"what": "vouched", "events": names})
    assert lives(k, [*passed, vouched])["shock", AT] == "lifted"
    assert lives(k, [*passed, role("technician"), vouched])["shock", AT] != "lifted"


def test_a_report_by_phone_lifts_nothing(k: m.Knowledge) -> None:
    told: Row = ("danger", {"what": "reported-safe", "at": AT, "role": "electrician", "name": "N. N.", "words": "off and locked"})
    rows = [says(SIGN, "shock"), role("help-desk"), told]
    assert lives(k, rows)["shock", AT] == "standing"
    vouched: Row = ("danger", {"what": "vouched", "events": ["e4"]})
    assert lives(k, [*rows, vouched])["shock", AT] == "standing"
    assert lives(k, [*rows, role("electrician"), vouched])["shock", AT] == "made-safe"


def test_a_repair_elsewhere_is_none(k: m.Knowledge) -> None:
    for elsewhere in ("unit 4", "uplink 1"):
        rows = [says(SIGN, "shock"), safe(), mend(k, elsewhere), power(), *proofs(k, "shock"), says(SIGN, "none")]
        assert lives(k, rows)["shock", AT] in ("standing", "made-safe")


def test_a_repair_before_it_was_safe_is_none(k: m.Knowledge) -> None:
    rows = [says(SIGN, "shock"), mend(k), safe(), *proofs(k, "shock"), says(SIGN, "none")]
    assert lives(k, rows)["shock", AT] == "made-safe"


def test_a_failed_proof_lifts_nothing_and_a_good_one_undoes_nothing(k: m.Knowledge) -> None:
    """The ground path is open again after the repair, and "none" is said."""
    begin = [says(SIGN, "none", "all"), says("ground-path", "open"), safe(), mend(k)]
    danger = next(d.id for d in k.dangers.values() if any(r.check == "ground-path" and "open" in r.outcomes for r in d.raised_by))
    failed = [*begin, says("ground-path", "open"), says(SIGN, "none")]
    assert lives(k, failed)[danger, AT] == "made-safe"  # dead work found it open again: still locked out, not repaired
    good = [*begin, says("ground-path", "low")]
    assert lives(k, good)[danger, AT] == "repaired"
    assert lives(k, [*good, says(SIGN, "none")])[danger, AT] == "lifted"
    assert lives(k, [*good, says("ground-path", "open"), says(SIGN, "none")])[danger, AT] != "lifted"


def test_a_sign_told_again_begins_anew(k: m.Knowledge) -> None:
    rows = way(k, "shock", "shock")
    assert lives(k, [*rows, says(SIGN, "shock")])["shock", AT] == "standing"
    assert lives(k, [says(SIGN, "shock"), safe(), says(SIGN, "shock")])["shock", AT] == "standing"


def test_power_without_a_repair_voids_that_it_was_safe(k: m.Knowledge) -> None:
    assert lives(k, [says(SIGN, "shock"), safe(), power()])["shock", AT] == "standing"


def test_one_place_made_safe_says_nothing_of_another(k: m.Knowledge) -> None:
    found = lives(k, [says(SIGN, "burning-smell", "unit 3"), says(SIGN, "shock", "unit 5"), safe("unit 3")])
    assert found == {("burning-smell", "unit 3"): "made-safe", ("shock", "unit 5"): "standing"}


def test_the_panel_off_makes_its_units_safe(k: m.Knowledge) -> None:
    site = read_site(RECORD, k)
    panel = f"panel {site.panel_of(5)}"
    assert lives(k, [says(SIGN, "shock"), safe(panel)])["shock", AT] == "made-safe"
    other = next((str(p) for p in site.places("panel") if str(p) != panel), "")
    if other:
        assert lives(k, [says(SIGN, "shock"), safe(other)])["shock", AT] == "standing"


def test_a_danger_of_no_known_place_needs_every_unit_and_panel(k: m.Knowledge) -> None:
    site = read_site(RECORD, k)
    danger = block_of(k, "not-clear")
    everywhere = [
        says(c[0], k.checks[c[0]].normal, str(p)) for c in k.dangers[danger].proofs for p in site.places(k.checks[c[0]].at)
    ]  # fmt: skip
    rows = [says(SIGN, "not-clear", ""), safe("site"), mend(k), power("site"), *everywhere]
    none_of = [says(SIGN, "none", str(p)) for p in site.places("unit")]
    panels = [says("panel-danger-signs", "none", str(p)) for p in site.places("panel")]
    assert lives(k, [*rows, *none_of, *panels])[danger, str(SITE)] == "lifted"
    assert lives(k, [*rows, none_of[0], *panels])[danger, str(SITE)] != "lifted"
    assert lives(k, [*rows, *none_of])[danger, str(SITE)] != "lifted"


def test_words_count_until_they_are_denied(k: m.Knowledge) -> None:
    asked: Row = ("danger", {"what": "asked", "words": "it smells burnt", "sign": "burning-smell", "at": AT})
    assert lives(k, [asked])["burning-smell", AT] == "asked"
    denied: Row = ("danger", {"what": "denied", "asked": "e2"})
    assert lives(k, [asked, denied]) == {}
    assert lives(k, [asked, denied, ("withdrawn", {"event": "e3"})])["burning-smell", AT] == "asked"
    unclear: Row = ("danger", {"what": "asked", "words": "get here fast", "sign": "", "at": ""})
    assert list(lives(k, [unclear]).values()) == ["asked"]


def test_words_that_were_confirmed_are_shown_with_the_danger(k: m.Knowledge) -> None:
    rows: list[Row] = [
        ("opened", {"title": "t", "role": "caller", "record": RECORD}),
        ("danger", {"what": "asked", "words": "it smells burnt", "sign": "burning-smell", "at": AT}),
        says(SIGN, "burning-smell"),
        ("danger", {"what": "confirmed", "asked": "e2", "with": "e3"}),
    ]
    events = [Event(f"e{n}", "C", n, MOMENT, kind, data, "x") for n, (kind, data) in enumerate(rows, 1)]
    (stop,) = dangers.stop_use(k, dangers.lives(k, fold(events, k), ()))
    assert (stop.status, stop.words, stop.places) == ("standing", "it smells burnt", (Place("unit", 5),))


def test_a_place_once_named_is_corrected_by_a_technician_only(k: m.Knowledge) -> None:
    first: list[Row] = [says(SIGN, "shock", ""), ("danger", {"what": "placed", "reading": "e2", "at": "unit 4"})]
    assert list(lives(k, first, "caller")) == [("shock", "unit 4")]
    moved: Row = ("danger", {"what": "placed", "reading": "e2", "at": "unit 1"})
    assert list(lives(k, [*first, moved], "caller")) == [("shock", "unit 4")]
    assert list(lives(k, [*first, role("technician"), moved], "caller")) == [("shock", "unit 1")]


def test_a_sign_that_a_rule_base_does_not_know_still_stops_use(k: m.Knowledge) -> None:
    assert list(lives(k, [says(SIGN, "some-old-word")]).values()) == ["standing"]
    assert list(lives(k, [says(SIGN, "shock", "unit 99")])) == [("shock", "site")]


def test_the_first_version_reported_everything_as_safe_at_once(k: m.Knowledge) -> None:
    old: Row = ("fact", {"key": "made-safe", "text": "yes", "at": "site"})
    assert lives(k, [says(SIGN, "shock"), old])["shock", AT] == "made-safe"
    assert lives(k, [says(SIGN, "shock"), old], "technician")["shock", AT] == "standing"  # a shock takes an electrician


def test_every_danger_of_the_rule_base_ends_by_its_own_reading(k: m.Knowledge) -> None:
    """A reading raises the danger it is listed in, and stands in its proofs."""
    site = read_site(RECORD, k)
    for d in k.dangers.values():
        for row in d.raised_by:
            check = k.checks[row.check]
            if check.id in m.SIGNS or check.gauge or not site.places(check.at) or d.level != "stop":
                continue
            place = site.places(check.at)[-1]
            for outcome in row.outcomes:
                found = lives(k, [says(check.id, outcome, str(place))])
                assert found[d.id, str(place)] == "standing", (check.id, outcome)
