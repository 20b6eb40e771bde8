"""What is asked of a reader: where evidence was taken, and that an answer given beats what a name says; text in UTF-16."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable
from pathlib import Path

import pytest

from diagnose.casework.state import read_site
from diagnose.evidence.intake import read_stream
from diagnose.evidence.lines import Utf8
from diagnose.evidence.meter.view import spot
from diagnose.evidence.reader import (
    POINTS,
    READERS,
    Asked,
    EvidenceError,
    load_all,
)
from diagnose.evidence.report import Report
from diagnose.site.model import Site
from diagnose.site.places import KINDS, Place
from tests.evidence.meter_shapes import Net, charging, log, text
from tests.evidence.network_help import knowledge, site
from tests.evidence.test_ip_output import DIG, PING_OK, UPGRADE, interface, route
from tests.evidence.test_waveform import site_of
from tests.evidence.waves import csv, wave

DATA = Path(__file__).parent / "data"
METER = text(log(Net(), charging(1, on=20, off=15)))


def read(data: bytes, name: str, here: Site | None, at: str = "") -> Report:
    return read_stream(io.BytesIO(data), name, here, "", at)[0]


def readings(report: Report) -> list[tuple[str, str, str]]:
    return [(t.check, t.at, t.answer) for t in report.taken]


UPLINKS = """install-record: 1
name: Larch Yard depot
units: {count: 6}
panels: [{breaker: 200 A}]
uplinks:
  - {unit: 1, units: 1-3, kind: cellular, apn: depot.example}
  - {unit: 4, units: 4-6, kind: cellular, apn: yard.example}
"""


def two_uplinks() -> Site:
    return read_site(UPLINKS, knowledge())


MODEM = b"AT+CPIN?\r\n+CPIN: READY\r\n\r\nOK\r\nAT+CREG?\r\n+CREG: 0,3\r\n\r\nOK\r\n"
PROMPTS = "\n".join((interface("192.168.7.20"), route("192.168.7.1"), PING_OK, DIG, UPGRADE)).encode()
OTHER_NAMES = ("evening.csv", "breaker-trips-evening.csv", "unit 2 panel 1.csv", "laptop at switch.txt", "station uplink 1.log", "feeder.csv")


@pytest.mark.parametrize("at", ["unit 5", "unit 5 breaker", "5", "panel 1"])
@pytest.mark.parametrize("name", OTHER_NAMES)
def test_a_meters_log_is_of_the_place_given_whatever_its_name(at: str, name: str) -> None:
    assert readings(read(METER, name, site(), at)) == readings(read(METER, "x", site(), at))
    assert {at for _, at, _ in readings(read(METER, name, site(), "unit 5"))} == {"unit 5"}


def test_the_name_counts_where_nothing_is_given() -> None:
    """Without it the test above would say nothing."""
    assert {c for c, _, _ in readings(read(METER, "unit 5 breaker.csv", site()))} != {c for c, _, _ in readings(read(METER, "unit 5.csv", site()))}
    assert not readings(read(METER, "evening.csv", site()))


@pytest.mark.parametrize("at", ["unit 5", "uplink 2"])
@pytest.mark.parametrize("name", OTHER_NAMES)
def test_a_modem_stands_at_the_place_given(at: str, name: str) -> None:
    assert {where for _, where, _ in readings(read(MODEM, name, two_uplinks(), at))} == {"uplink 2"}


@pytest.mark.parametrize("name", OTHER_NAMES)
@pytest.mark.parametrize(
    ("at", "run_on", "check"),
    [
        ("laptop", "laptop", ""), ("switch", "laptop", "laptop-at-switch"),
        ("cable", "laptop", "laptop-at-station"), ("station", "station", ""), ("unit 5", "station", ""),
        ("unit 5 laptop", "laptop", ""),
    ],
)  # fmt: skip
def test_commands_were_run_where_was_given(name: str, at: str, run_on: str, check: str) -> None:
    report = read(PROMPTS, name, site(), at)
    assert report.figures["run_on"] == run_on
    assert not check or {c for c, _, _ in readings(report)} & {"laptop-at-switch", "laptop-at-station"} == {check}


@pytest.mark.parametrize(("at", "unit"), [("unit 5", 5), ("far end", 11), ("near end", 1), ("controller", 1)])
def test_a_probe_sat_where_was_given(at: str, unit: int) -> None:
    t, y = wave("sound-20-lossless", step=200e-9)
    assert read(csv(t, y), "scope unit 3.csv", site_of(), at).figures["probe_unit"] == unit


@pytest.mark.parametrize(
    ("asked", "point", "place"),
    [
        (Asked("breaker unit 2.csv", None, Place("unit", 5)), "unit", Place("unit", 5)),
        (Asked("unit 2.csv", None, Place("unit", 5), "breaker"), "breaker", Place("unit", 5)),
        (Asked("unit 2.csv", None, None, "breaker"), "breaker", Place("unit", 2)),
        (Asked("unit 2.csv", None, Place("panel", 1)), "panel", Place("panel", 1)),
        (Asked("panel 3.csv"), "panel", Place("panel", 3)),
        (Asked("x.csv"), "unit", None),
    ],
)
def test_the_point_of_a_meter(asked: Asked, point: str, place: Place | None) -> None:
    assert spot(asked, "")[:2] == (point, place)


@pytest.mark.parametrize(
    ("data", "at", "says"),
    [
        (METER, "segment 4-5", "'segment 4-5' was not used: this kind of evidence can be of panel, unit or breaker"),
        (METER, "unit 5 laptop", "'unit 5 laptop' was not used"),
        ((DATA / "serial-python-silent.log").read_bytes(), "unit 5", "'unit 5' was not used: this kind of evidence names its places itself"),
        (MODEM, "panel 1", "'panel 1' was not used: this kind of evidence can be of unit or uplink"),
    ],
)
def test_what_a_reader_makes_nothing_of_is_said(data: bytes, at: str, says: str) -> None:
    assert any(says in line for line in read(data, "x.csv", site(), at).says)


@pytest.mark.parametrize("at", ["unit 5", "uplink 1"])
def test_nothing_is_said_of_a_place_that_was_used(at: str) -> None:
    assert not [line for line in read(MODEM, "x", site(), at).says if "not used" in line]


@pytest.mark.parametrize("text_of", ["breaker station", "banana", "unit 77", "units 2-3", "segment"])
@pytest.mark.parametrize("here", [True, False])
def test_what_is_no_place_is_refused_in_a_line(text_of: str, here: bool) -> None:
    if not here and text_of in ("unit 77", "segment"):  # nothing says that there is none
        return
    with pytest.raises(EvidenceError):
        read(METER, "x.csv", site() if here else None, text_of)


def test_every_place_of_a_record_is_read_back_without_one() -> None:
    from diagnose.evidence.intake import _without_record

    for here in (site(), two_uplinks(), site_of()):
        for place in (p for kind in KINDS for p in here.places(kind)):
            assert _without_record(str(place), "") == place


def test_readers_name_places_and_points_that_exist() -> None:
    load_all()
    assert {p for i in READERS.values() for p in i.places} <= {*KINDS, *POINTS}


# ---- UTF-16, as some programs save what they call text


@pytest.mark.parametrize("coding", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_an_export_in_utf_16_gives_what_it_gives_in_utf_8(coding: str, end: str) -> None:
    t, y = wave("sound-20-lossless", step=200e-9)
    for data, name, here in ((METER, "unit 5.csv", site()), (csv(t, y), "scope unit 3.csv", site_of())):
        plain = data.decode().replace("\n", end)
        assert plain.isascii() or "°" in plain
        wanted = read(plain.encode(), name, here)
        found = read(("\ufeff" + plain).encode(coding), name, here)
        assert found == wanted
        assert found.taken
        assert not found.not_understood


class Drop(io.BytesIO):
    """One byte at a time, as a slow pipe gives them."""

    def read(self, size: int | None = -1, /) -> bytes:
        return super().read(1 if size else 0)


@pytest.mark.parametrize("data", ["Zeit;Spannung (V)\n0;230,4 \U0001f50c\r\n", "", "a"])
@pytest.mark.parametrize("coding", ["utf-16-le", "utf-16-be", "utf-8"])
def test_a_stream_in_drops(data: str, coding: str) -> None:
    written = ("\ufeff" if coding != "utf-8" else "").encode(coding) + data.encode(coding)
    stream, found = Utf8(Drop(written)), b""
    while more := stream.read(5):
        found += more
    assert found.decode() == data


def test_half_a_character_at_the_end_is_not_lost_in_silence() -> None:
    stream, found = Utf8(io.BytesIO("\ufeff1\n2".encode("utf-16-le")[:-1])), b""
    while more := stream.read(100):
        found += more
    assert found.decode() == "1\n\ufffd"


# ---- figures


def _keys(value: object) -> Iterable[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield str(key)
            yield from _keys(inner)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from _keys(inner)


def test_figures_have_one_spelling() -> None:
    """Names of figures are joined by `_`, as in the JSON of an assessment; outcomes and numbers are keys too."""
    t, y = wave("sound-20-lossless", step=200e-9)
    outcomes = {o for c in knowledge().checks.values() for o in c.outcome_ids}
    reports = [
        read((DATA / "serial-python-silent.log").read_bytes(), "x", site()), read(METER, "unit 5.csv", site()), read(MODEM, "x", site()),
        read(PROMPTS, "x", site()), read(csv(t, y), "x", site_of()),
    ]  # fmt: skip
    odd = {k for r in reports for k in _keys(r.figures) if not re.fullmatch(r"[a-z0-9_]+|[0-9A-F]{2}|\d+ %", k)} - outcomes
    assert odd == set()
