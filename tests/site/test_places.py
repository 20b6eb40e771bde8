"""Places: what people write for them, and that what is shown for them is understood again."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.casework.state import parse_place
from diagnose.site.model import WRITTEN_OUT, Group, Site, Trunk
from diagnose.site.places import (
    FAR,
    KINDS,
    NEAR,
    SITE,
    Place,
    PlaceError,
    describe,
    parse_numbers,
    ranges,
    spoken,
)

ONE = Site(
    "one", tuple(range(1, 13)), (Trunk(1, "t", tuple(range(1, 13)), 1, (None,) * 11),), (Group(1, 1, (1, 2)),), (Group(1, 1, (1,)),),
    more={kind: (Group(1, 1, (1,)),) for kind in KINDS if kind not in WRITTEN_OUT},
)  # fmt: skip
TWO = Site(
    "two", tuple(range(1, 11)),
    (Trunk(1, "a", (1, 2, 3, 4, 5), 1, (None,) * 4), Trunk(2, "b", (10, 9, 8, 6, 7), 8, (None,) * 4)),
    (Group(1, 1, (1, 2)), Group(2, 8, (8, 9))), (Group(1, 1, (1,)), Group(2, 2, (2,))), (1, 2),
)  # fmt: skip
BARE = Site("bare", (1,))


@pytest.mark.parametrize(
    ("text", "kind", "wanted"),
    [
        ("unit 5", "unit", [5]), ("5", "unit", [5]), ("units 5-9", "unit", [5, 6, 7, 8, 9]), ("5–7", "unit", [5, 6, 7]),
        ("5 to 7", "unit", [5, 6, 7]), ("1, 3", "unit", [1, 3]), ("1 and 3", "unit", [1, 3]), ("1 3", "unit", [1, 3]),
        ("Unit  #5", "unit", [5]), ("no. 5", "unit", [5]), ("unit no. 5", "unit", [5]), ("unit5", "unit", [5]),
        ("all", "unit", list(range(1, 13))), ("all units", "unit", list(range(1, 13))), ("3, 3, 3", "unit", [3]),
        ("trunk", "trunk", [1]), ("trunk 1", "trunk", [1]), ("1", "trunk", [1]), ("uplink", "uplink", [1]),
        ("control", "control", [1]), ("panel", "panel", [1]), ("site", "site", [0]), ("site", "panel", [1]),
    ],
)  # fmt: skip
def test_what_people_write(text: str, kind: str, wanted: list[int]) -> None:
    assert [p.number for p in ONE.find(text, kind)] == wanted


@pytest.mark.parametrize("text", ["segment 4-5", "4-5", "4-5 ", "segments 4-5", "5-4", "segment 5 to 4", "4–5"])
def test_segments(text: str) -> None:
    assert ONE.find(text, "segment") == (Place("segment", 4, 5),)
    assert TWO.find("9-10", "segment") == (Place("segment", 10, 9),)


@pytest.mark.parametrize("text", ["far end", "far", "the far end", "far-end", "far end of the trunk", "trunk 1 far end", "Far End of trunk 1"])
def test_trunk_ends(text: str) -> None:
    assert ONE.find(text, "trunk-end") == (Place("trunk-end", 1, FAR),)


def test_ends_of_two_trunks() -> None:
    assert TWO.find("trunk 2 near end", "trunk-end") == (Place("trunk-end", 2, NEAR),)
    with pytest.raises(PlaceError, match="several trunks"):
        TWO.find("far end", "trunk-end")
    assert ONE.find("both ends", "trunk-end") == (Place("trunk-end", 1, NEAR), Place("trunk-end", 1, FAR))


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("13", "unit", "there is no unit 13"), ("0", "unit", "there is no unit 0"), ("9-5", "unit", "write 5-9"),
        ("five", "unit", "written like"), ("", "unit", "which unit?"), ("unit", "unit", "which unit?"),
        ("5-", "unit", "written like"), ("-5", "unit", "written like"), ("5.5", "unit", "written like"),
        ("1-99999", "unit", "more than 1000"), ("9" * 40, "unit", "too large"), ("²", "unit", "written like"),
        ("1-3", "segment", "no segment 1-3"), ("4", "segment", "the two units"), ("4-²", "segment", "the two units"),
        ("4-5-6", "segment", "the two units"), ("99999999-1", "segment", "the two units"), ("2", "trunk", "there is no trunk 2"),
        ("left", "trunk-end", "near end"), ("near far", "trunk-end", "near end"), ("how far is it", "trunk-end", "near end"),
        ("nearly", "trunk-end", "near end"), ("far end of trunk 2", "trunk-end", "near end"), ("trunk ² far end", "trunk-end", "near end"),
        ("unit 5", "site", "write 'site'"), ("1" + " " * 60_000 + "x", "unit", "written like"), ("1 " * 60_000, "unit", "written like"),
        ("1" + " and" * 20_000, "unit", "written like"), ("near," * 5_000, "trunk-end", "near end"), ("[bold]5", "unit", "written like"),
    ],
)  # fmt: skip
def test_what_is_no_place(text: str, kind: str, words: str) -> None:
    start = time.monotonic()
    with pytest.raises(PlaceError) as caught:
        ONE.find(text, kind)
    assert words in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 300
    assert time.monotonic() - start < 2


def test_what_the_record_lacks() -> None:
    for kind in ("segment", "trunk", "trunk-end", "uplink", "control"):
        with pytest.raises(PlaceError, match="record has no"):
            BARE.find("1", kind)
    assert BARE.find("", "unit") == (Place("unit", 1),)


@pytest.mark.parametrize("site", [ONE, TWO, BARE], ids=lambda s: s.name)
def test_the_text_of_a_place_names_it(site: Site) -> None:
    for kind in KINDS:
        for place in site.places(kind):
            assert site.has(place)
            assert parse_place(site, str(place)) == place
            if not (kind == "trunk-end" and len(site.trunks) > 1):
                assert site.find(str(place), kind) == (place,)
    assert not site.has(Place("unit", 99))
    assert parse_place(site, "unit 99") is None


@given(st.sampled_from([k for k in KINDS if k != "site"]), st.data())
def test_what_is_shown_for_several_is_understood(kind: str, data: st.DataObject) -> None:
    places = data.draw(st.lists(st.sampled_from(ONE.places(kind)), min_size=1, unique=True))
    assert set(ONE.find(describe(places), kind)) == set(places)


@given(st.sets(st.integers(0, 300), min_size=1))
def test_ranges_and_back(numbers: set[int]) -> None:
    assert set(parse_numbers(ranges(numbers))) == numbers


@given(st.text(alphabet="0123456789-–, andtoxthrugh#", max_size=40))
def test_any_list_of_numbers_is_read_or_refused(text: str) -> None:
    try:
        numbers = parse_numbers(text, 500)
    except PlaceError:
        return
    assert 0 < len(numbers) <= 500
    assert len(set(numbers)) == len(numbers)


def test_describe() -> None:
    assert describe([]) == "nowhere"
    assert describe([SITE]) == "site"
    assert describe([Place("unit", 5), Place("unit", 6), Place("unit", 9)]) == "units 5-6, 9"
    assert describe([Place("segment", 4, 5), Place("segment", 5, 6)]) == "segments 4-5, 5-6"
    assert describe([Place("trunk-end", 1, FAR), Place("trunk-end", 2, NEAR)]) == "far end, trunk 2 near end"
    assert describe([Place("unit", 1), Place("panel", 1)]) == "unit 1, panel 1"


def test_the_site_has_its_article_inside_a_sentence() -> None:
    assert spoken([SITE]) == "the site"
    assert spoken([Place("unit", 5), Place("unit", 6)]) == "units 5-6"
    assert describe([SITE]) == "site"
