"""Modem replies: what is understood, what is taken, and that the true fault comes first."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest

from diagnose.evidence.network.modem.reader import read_modem
from diagnose.evidence.reader import Asked, recognise
from diagnose.evidence.report import Report
from tests.evidence.network_help import CELLULAR, answers, first, harmless, patience, site, torture

ONLINE = """AT+CPIN?
+CPIN: READY

OK
AT+CSQ
+CSQ: 18,0

OK
AT+CESQ
+CESQ: 99,99,255,255,24,50

OK
AT+CREG?
+CREG: 0,2

OK
AT+CEREG?
+CEREG: 2,1,"1A2B","01C3D4E5",7

OK
AT+COPS?
+COPS: 0,0,"Any Mobile",7

OK
AT+CGDCONT?
+CGDCONT: 1,"IP","depot.example","0.0.0.0",0,0
+CGDCONT: 2,"IPV4V6","ims","0.0.0.0",0,0

OK
AT+CGPADDR
+CGPADDR: 1,"10.64.3.7"
+CGPADDR: 2,"0.0.0.0"

OK
"""
WRONG_NAME = ONLINE.replace("depot.example", "internet.example").replace("10.64.3.7", "0.0.0.0")
PIN = "AT+CPIN?\r\r\n+CPIN: SIM PIN\r\n\r\nOK\r\nAT+CREG?\r\r\n+CREG: 0,0\r\n\r\nOK\r\nAT+CSQ\r\r\n+CSQ: 20,99\r\nOK\r\n"
PUK = PIN.replace("SIM PIN", "SIM PUK")
BAD_SIM = "AT+CMEE=1\nOK\nAT+CPIN?\n+CME ERROR: 13\nAT+CEREG?\n+CEREG: 0,0\nOK\nAT+CSQ\n+CSQ: 17,99\nOK\n"
NETWORK_LOCK = PIN.replace("SIM PIN", "PH-NET PIN")
OTHER_SIM_LOCK = BAD_SIM.replace("+CME ERROR: 13", "+CME ERROR: 5")
PROVIDER_LOCK = BAD_SIM.replace("+CME ERROR: 13", "+CME ERROR: service provider personalization PIN required")
NO_SIM = BAD_SIM.replace("+CME ERROR: 13", "+CME ERROR: SIM not inserted")
DENIED = "AT+CPIN?\n+CPIN: READY\nOK\nAT+CEREG?\n+CEREG: 0,3\nOK\nAT+CSQ\n+CSQ: 21,0\nOK\n"
WEAK = "AT+CPIN?\n+CPIN: READY\nOK\nAT+CEREG?\n+CEREG: 0,1\nOK\n" + "".join(f"AT+CSQ\n+CSQ: {n},99\nOK\n" for n in (4, 3, 5, 3, 4))
SILENT = "AT\nAT+CPIN?\nAT+CSQ\nAT\n"


def read(text: str, uplink: str = CELLULAR) -> Report:
    report = read_modem(io.BytesIO(text.encode()), Asked("modem.txt", site(uplink)))
    harmless(report)
    return report


def test_a_healthy_session_is_read_whole() -> None:
    report = read(ONLINE)
    assert report.not_understood == 0
    assert answers(report) == {
        "modem-answers": "answers", "sim-state": "ready", "registration": "registered", "modem-address": "given",
        "modem-signal": "18", "modem-pilot-power": "-91 dBm", "apn-compare": "agrees",
    }  # fmt: skip
    assert report.figures["verdict"] == "online"
    assert report.figures["apn"] == "depot.example"
    assert report.figures["rsrq_db"] == -8.0


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (WRONG_NAME, "apn-wrong"),
        (PIN, "sim-pin-locked"),
        (PUK, "sim-puk-locked"),
        (BAD_SIM, "sim-failed"),
        (NETWORK_LOCK, "modem-network-locked"),
        (OTHER_SIM_LOCK, "modem-network-locked"),
        (PROVIDER_LOCK, "modem-network-locked"),
        (NO_SIM, "sim-not-seated"),
        (DENIED, "sim-not-activated"),
    ],
)
def test_the_true_fault_comes_first(text: str, fault: str) -> None:
    assert first(read(text), CELLULAR) == fault


def test_a_weak_signal_points_to_antenna_or_coverage() -> None:
    report = read(WEAK)
    assert answers(report)["modem-signal"] == "4"
    assert first(report, CELLULAR) in ("antenna-loose", "coverage-poor")


def test_a_modem_that_says_nothing() -> None:
    report = read(SILENT)
    assert answers(report) == {"modem-answers": "silent"}
    assert first(report, CELLULAR) in ("modem-hung", "modem-failed")


def test_reports_without_asking_count_too() -> None:
    report = read('+CEREG: 2\n+CEREG: 1,"1A2B","01C3D4E5",7\n+CSQ: 99,99\n')
    assert answers(report)["registration"] == "registered"
    assert answers(report)["modem-signal"] == "99"


def test_a_later_state_replaces_an_earlier_one() -> None:
    assert answers(read("+CEREG: 0,1\n+CEREG: 0,2\n"))["registration"] == "searching"
    assert answers(read("+CME ERROR: 10\n+CPIN: READY\n"))["sim-state"] == "ready"


def test_nothing_is_dropped_in_silence() -> None:
    report = read("+CSQ: 55,0\n+CPIN: BLUE\nwelcome \x1b[31m to\n+CEREG: 0,77\n+CSQ: --5,1\n+CSQ: 99999999999999,0\n")
    assert report.understood == 0
    assert report.not_understood == 6
    assert report.samples[0] == "line 1: +CSQ: 55,0"


def test_stamps_and_utf_16_do_no_harm() -> None:
    text = "".join(f"[2031-04-01 10:00:0{n}] {line}\n" for n, line in enumerate(("AT+CPIN?", "+CPIN: SIM PUK", "OK")))
    assert answers(read(text))["sim-state"] == "puk-wanted"
    report = read_modem(io.BytesIO(text.encode("utf-16")), Asked("m"))
    assert answers(report)["sim-state"] == "puk-wanted"


def test_recognised_and_not_mixed_up() -> None:
    assert recognise(ONLINE.encode(), "x.txt")[0][1].kind == "modem"
    for other in (
        b'[2,"1","Heartbeat",{}]\n', b"PING 192.0.2.1 56 data bytes\n", b"install-record: 1\n",
        bytes(range(256)) * 4, b"attention at the station\n",
    ):
        assert all(i.kind != "modem" for _, i in recognise(other, "x.txt"))


def test_the_page_tells_the_truth() -> None:
    page = (Path(__file__).parents[2] / "docs/evidence/modem.md").read_text(encoding="utf-8")
    sample, table = re.findall(r"```text\n(.*?)```", page, re.S)
    report = read(sample)
    shown = [f"{t.check:<20}{t.at:<10}{t.answer:<14}{t.lines}".rstrip() for t in report.taken]
    assert table.strip().split("\n") == shown
    assert set(re.findall(r"^\| `(\w+)`", page, re.M)) == set(report.figures)


def test_damaged_sessions_do_no_harm() -> None:
    good = [t.encode() for t in (ONLINE, PIN, BAD_SIM, NO_SIM, DENIED, WEAK)]
    assert torture(read_modem, "modem.txt", good, 1250, 61) == 1250


def test_no_text_makes_it_search_for_ever() -> None:
    assert patience(read_modem) < 2
