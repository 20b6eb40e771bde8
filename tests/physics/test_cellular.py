"""Modem replies. Section 10 of the fact sheet on communication wiring (3GPP TS 27.007)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import cellular


@pytest.mark.parametrize(
    ("figure", "dbm"),
    [(0, -113), (1, -111), (9, -95), (10, -93), (14, -85), (15, -83), (19, -75), (20, -73), (30, -53), (31, -51), (99, None)],
)
def test_csq(figure, dbm):  # Q1, Q2 and section 14, csq_dbm (27.007, 8.5)
    assert cellular.csq_dbm(figure) == dbm


@pytest.mark.parametrize(("figure", "bounds"), [(0, (None, -140)), (40, (-101, -100)), (50, (-91, -90)), (97, (-44, None)), (255, None)])
def test_rsrp(figure, bounds):  # Q4 (27.007, 8.69)
    assert cellular.cesq_rsrp_dbm(figure) == bounds


@pytest.mark.parametrize(("figure", "bounds"), [(0, (None, -19.5)), (20, (-10, -9.5)), (34, (-3, None)), (255, None)])
def test_rsrq(figure, bounds):  # Q5
    assert cellular.cesq_rsrq_db(figure) == bounds


def test_rsrq_from_powers():  # section 10, ranges: N 50, -100 and -75 dBm give -8.0 dB
    assert cellular.rsrq_db(50, -100, -75) == pytest.approx(-8.0, abs=0.02)


GOOD = ["+CPIN: READY", "+CSQ: 18,99"]


@pytest.mark.parametrize(
    ("lines", "word"),
    [
        (["+CME ERROR: 10"], "sim-missing"),  # Q9
        (["+CPIN: SIM PIN"], "sim-locked"),  # Q8
        (["+CPIN: SIM PUK"], "sim-locked"),
        (["+CPIN: PH-NET PIN"], "sim-locked"),
        (["+CME ERROR: 13"], "sim-failure"),
        ([*GOOD, "+CEREG: 0,3"], "denied"),  # Q12
        ([*GOOD, "+CEREG: 2,1", '+CGPADDR: 1,"0.0.0.0"'], "no-data"),  # Q7, Q12: the second number is the state
        ([*GOOD, "+CEREG: 0,5", '+CGPADDR: 1,"10.20.30.40"'], "online"),
        ([*GOOD, "+CREG: 0,1", "+CEREG: 0,4", '+CGPADDR: 1,"10.20.30.40"'], "online"),
        ([*GOOD, "+CEREG: 0,1"], "unknown"),
        ([*GOOD, "+CEREG: 0,2"], "searching"),
        (["+CPIN: READY", "+CSQ: 3,99", "+CEREG: 0,2"], "searching"),
        (["+CPIN: READY", "+CSQ: 99,99", "+CEREG: 0,2"], "no-radio"),  # Q12
        (["+CPIN: READY", "+CSQ: 5,99", "+CEREG: 0,4"], "no-coverage"),
        ([*GOOD, "+CEREG: 0,0"], "no-radio"),
        ([*GOOD, "+CEREG: 0,8"], "no-data"),
        ([*GOOD, "+CEREG: 0,6"], "no-data"),
        ([], "unknown"),
    ],
)
def test_verdicts(lines, word):
    got, says = cellular.verdict(cellular.read_replies(lines))
    assert got == word
    assert says
    assert "\n" not in says


def test_searching_tells_antenna_from_operator():  # Q12: stat 2 with good signal
    assert "band" in cellular.verdict(cellular.read_replies([*GOOD, "+CEREG: 0,2"]))[1]
    weak = cellular.verdict(cellular.read_replies(["+CSQ: 3,99", "+CEREG: 0,2"]))
    assert "antenna" in weak[1]


def test_read_replies():  # Q11
    lines = ["AT+CESQ", "+CESQ: 99,99,255,255,20,50", '+CGDCONT: 1,"IP","depot.example"', "OK", "", "+CREG: 1"]
    got = cellular.read_replies(lines)
    assert (got.rsrq, got.rsrp, got.apn, got.registration) == (20, 50, "depot.example", 1)


@given(st.lists(st.text(max_size=40), max_size=10))
def test_any_text_is_survived(lines):
    word, says = cellular.verdict(cellular.read_replies(lines))
    assert word
    assert says


@given(st.lists(st.sampled_from(["+CSQ: ", "+CEREG: ", "+CESQ: ", "+CPIN: ", "+CME ERROR: "]), max_size=6), st.text(max_size=12))
def test_broken_replies_are_survived(heads, tail):
    assert cellular.verdict(cellular.read_replies([head + tail for head in heads]))


@pytest.mark.parametrize(
    "call",
    [
        lambda: cellular.csq_dbm(40),
        lambda: cellular.cesq_rsrp_dbm(98),
        lambda: cellular.cesq_rsrq_db(-1),
        lambda: cellular.rsrq_db(0, -1, -1),
    ],
)
def test_one_line_errors(call):
    with pytest.raises(ValueError, match=r"^[^\n]{10,110}$"):
        call()


def test_tables():  # Q6, Q8, Q9
    assert set(cellular.REGISTRATION) == set(range(11))
    assert {1, 5, 9, 10} == cellular.REGISTERED
    assert set(cellular.ERRORS) == {5, 10, 11, 12, 13, 14, 15, 16, 17, 18, 30, 31, *range(40, 48)}
    assert "READY" in cellular.SIM
    assert len(cellular.SIM) == 14


def test_odd_numbers_and_reports_with_an_area_code() -> None:
    """TS 27.007, 10.1.22: `+CEREG: n,stat,...` answers a question, `+CEREG: stat,"area",...` is a report."""
    from diagnose.physics.cellular import read_replies

    assert read_replies(["+CSQ: --5,99"]).csq is None
    assert read_replies([f"+CSQ: {'9' * 5000},99"]).csq is None
    assert read_replies(['+CEREG: 5,"1A2B","01C3",7']).registration == 5
    assert read_replies(['+CEREG: 2,1,"1A2B","01C3",7']).registration == 1
    assert read_replies(["+CREG: 0,3"]).registration == 3
