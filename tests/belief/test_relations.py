"""Relations of place against their description in words; places as people write them."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.casework.state import stored_places
from diagnose.site.model import Group, Site, Trunk
from diagnose.site.places import FAR, KINDS, NEAR, Place, PlaceError, describe, parse_numbers, ranges
from diagnose.site.relations import CODES, HERE, WORDS, PlaceIndex, index_places, lookup_words
from tests.belief.enumeration import relation
from tests.belief.small_bases import SiteSpec, places_of, random_site

SEEDS = st.integers(0, 2**32)


def build(s: SiteSpec) -> Site:
    """The site of a plain value, without an install record."""
    facts: dict[tuple[str, int], dict[str, float | int | str | bool | tuple[int, ...]]] = {}
    for unit in range(1, s.units + 1):
        if unit in s.panel:
            facts.setdefault(("unit", unit), {})["panel"] = s.panel[unit]
        if unit in s.circuit:
            facts.setdefault(("unit", unit), {})["circuit"] = s.circuit[unit]
    trunks = tuple(
        Trunk(n, f"trunk {n}", tuple(chain), controller, (5.0,) * (len(chain) - 1))
        for n, (chain, controller) in enumerate(s.trunks, 1)
    )
    uplinks = tuple(Group(n, u, tuple(served)) for n, (u, served) in enumerate(s.uplinks, 1))
    controls = tuple(Group(n, u, tuple(served)) for n, (u, served) in enumerate(s.controls, 1))
    panels = tuple(range(1, max(s.panel.values(), default=1) + 1))
    return Site("site", tuple(range(1, s.units + 1)), trunks, uplinks, controls, panels, facts)


def words(index: PlaceIndex, fault: Place, check: Place) -> tuple[str, ...]:
    return lookup_words(int(index.relation[index.number[fault], index.number[check]]))


def test_codes_and_words() -> None:
    assert lookup_words(HERE) == ("here",)
    seen = [lookup_words(code) for code in range(CODES)]
    assert len(set(seen)) == CODES
    assert {w for found in seen for w in found} == set(WORDS)
    for found in seen[1:]:
        assert found[-1] == "elsewhere"
        order = [("beyond", "before").index(w) if w in ("beyond", "before") else 2 + WORDS.index(w) for w in found]
        assert order == sorted(order)  # the most telling word first


def test_every_code_occurs_on_a_site_with_everything() -> None:
    """Ten codes, no more and no fewer, and a table of codes has a place for each."""
    site = build(SiteSpec(6, [([1, 2, 3, 4], 2)], {1: 1, 2: 1, 3: 1, 4: 1, 5: 1, 6: 2}, {3: "x", 4: "x", 1: "y", 2: "y", 5: "x"}))
    index = index_places(site)
    assert sorted(set(index.relation.ravel().tolist())) == list(range(CODES))
    unit = [Place("unit", n) for n in range(7)]
    assert words(index, unit[3], unit[4]) == ("beyond", "same-trunk", "same-circuit", "same-panel", "elsewhere")
    assert words(index, unit[4], unit[3]) == ("before", "same-trunk", "same-circuit", "same-panel", "elsewhere")
    assert words(index, unit[4], unit[1]) == ("before", "same-trunk", "same-panel", "elsewhere")
    assert words(index, unit[4], unit[5]) == ("same-circuit", "same-panel", "elsewhere")
    assert words(index, unit[1], unit[5]) == ("same-panel", "elsewhere")
    assert words(index, unit[1], unit[6]) == ("elsewhere",)


@settings(max_examples=150)
@given(SEEDS, st.integers(1, 9))
def test_every_pair_of_places(seed: int, units: int) -> None:
    """Each code stands for the words that the description gives, for all kinds, controllers, panels, circuits."""
    spec = random_site(random.Random(seed), units)
    index = index_places(build(spec))
    everywhere = [p for kind in KINDS for p in places_of(spec, kind)]
    assert sorted(index.number) == sorted(Place(*p) for p in everywhere)
    for fault in everywhere:
        for check in everywhere:
            assert words(index, Place(*fault), Place(*check)) == relation(spec, fault, check), (spec, fault, check)


def test_controller_in_the_middle() -> None:
    """Units 1 to 7, the controller is 4: beyond is away from it on either side."""
    site = build(SiteSpec(7, [(list(range(1, 8)), 4)]))
    index = index_places(site)
    broken = Place("segment", 5, 6)
    assert [words(index, broken, Place("unit", u))[0] for u in range(1, 8)] == ["before"] * 5 + ["beyond"] * 2
    assert words(index, broken, Place("trunk-end", 1, FAR))[0] == "beyond"
    assert words(index, broken, Place("trunk-end", 1, NEAR))[0] == "before"
    other = Place("segment", 2, 3)
    assert [words(index, other, Place("unit", u))[0] for u in range(1, 8)] == ["beyond"] * 2 + ["before"] * 5
    mute = Place("unit", 4)
    assert {words(index, mute, Place("unit", u))[0] for u in range(1, 8) if u != 4} == {"beyond"}


@given(SEEDS, st.integers(1, 9))
def test_mirrored_trunk(seed: int, units: int) -> None:
    """Listing a trunk from its other end exchanges the names of its ends, and no relation."""
    spec = random_site(random.Random(seed), units)
    spec.uplinks, spec.controls = [], []
    mirrored = SiteSpec(spec.units, [(chain[::-1], c) for chain, c in spec.trunks], spec.panel, spec.circuit)
    one, two = index_places(build(spec)), index_places(build(mirrored))

    def mirror(p: Place) -> Place:
        if p.kind == "segment":
            return Place("segment", p.other, p.number)
        return Place(p.kind, p.number, 1 - p.other) if p.kind == "trunk-end" else p

    for fault in one.places:
        for check in one.places:
            assert words(one, fault, check) == words(two, mirror(fault), mirror(check)), (fault, check)


@given(SEEDS, st.integers(2, 9))
def test_two_trunks_never_relate(seed: int, units: int) -> None:
    draw = random.Random(seed)
    order = draw.sample(range(1, units + 1), units)
    cut = draw.randint(1, units - 1)
    trunks = [(chain, draw.choice(chain)) for chain in (order[:cut], order[cut:])]
    site = build(SiteSpec(units, trunks, {u: draw.randint(1, 2) for u in order}))
    index = index_places(site)
    on = {n: [p for p in index.places if p.kind != "site" and (t := site.trunk_of(p)) and t.number == n] for n in (1, 2)}
    for fault in on[1]:
        for check in on[2]:
            for one, two in ((fault, check), (check, fault)):
                assert not {"here", "beyond", "before", "same-trunk"} & set(words(index, one, two)), (one, two)


# ---- places as people write them


def chosen(site: Site, kind: str, draw: random.Random) -> list[Place]:
    there = site.places(kind)
    return draw.sample(there, draw.randint(1, len(there)))


@settings(max_examples=200)
@given(SEEDS, st.integers(1, 12), st.sampled_from([k for k in KINDS if k != "trunk-end"]))
def test_what_is_described_is_found(seed: int, units: int, kind: str) -> None:
    draw = random.Random(seed)
    site = build(random_site(draw, units))
    if site.places(kind):
        places = chosen(site, kind, draw)
        assert sorted(site.find(describe(places), kind)) == sorted(places), describe(places)
        assert site.find(str(places[0]), kind) == (places[0],)


@given(SEEDS, st.integers(1, 12))
def test_ends_of_one_trunk_are_found(seed: int, units: int) -> None:
    draw = random.Random(seed)
    site = build(SiteSpec(units, [(list(range(1, units + 1)), 1)]))
    places = chosen(site, "trunk-end", draw)
    assert sorted(site.find(describe(places), "trunk-end")) == sorted(places), describe(places)


def test_ends_of_two_trunks_are_told_apart() -> None:
    """A person is asked which trunk; what a case stores reads back as the place it was."""
    site = build(SiteSpec(6, [([1, 2, 3], 1), ([4, 5, 6], 4)]))
    with pytest.raises(PlaceError, match="several trunks"):
        site.find("near end", "trunk-end")
    for place in site.places("trunk-end"):
        assert stored_places(site, "trunk-end", str(place)) == (place,)


@given(st.sets(st.integers(0, 999_999), min_size=1, max_size=40))
def test_ranges_round_trip(numbers: set[int]) -> None:
    assert parse_numbers(ranges(numbers)) == tuple(sorted(numbers))


@given(st.lists(st.tuples(st.integers(1, 500), st.integers(0, 30)), min_size=1, max_size=8), st.sampled_from(["-", "–", " to ", " through "]))
def test_written_ranges(parts: list[tuple[int, int]], dash: str) -> None:
    wanted = tuple(dict.fromkeys(n for low, more in parts for n in range(low, low + more + 1)))
    text = ", ".join(f"{low}{dash}{low + more}" if more else str(low) for low, more in parts)
    assert parse_numbers(text) == wanted


def test_backward_and_endless_ranges_are_refused() -> None:
    with pytest.raises(PlaceError, match="write 4-9"):
        parse_numbers("9-4")
    with pytest.raises(PlaceError):
        parse_numbers("1-999999", most=1000)
    with pytest.raises(PlaceError):
        parse_numbers("1-99999999999999999999")


PIECES = st.sampled_from(
    [
        "unit", "units", "segment", "near end", "far", "all", "trunk", "-", ",", " ", "1", "12", "99", "²",
        "٣", "#", "to", "no.",
    ]
)


@settings(max_examples=300)
@given(st.lists(PIECES, max_size=6).map("".join) | st.text(max_size=12), st.sampled_from(tuple(KINDS)))
def test_any_text_finds_places_or_is_refused(text: str, kind: str) -> None:
    site = build(SiteSpec(12, [(list(range(1, 9)), 3), ([9, 10, 11, 12], 9)], uplinks=[(1, [1, 2])]))
    try:
        found = site.find(text, kind)
    except PlaceError as error:
        refusal = str(error)
        found = ()
    else:
        refusal = ""
    assert "\n" not in refusal
    if refusal:
        return
    assert found
    assert set(found) <= set(site.places(kind))
