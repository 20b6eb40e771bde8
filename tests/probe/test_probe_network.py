"""The live probe of the network against servers on the loopback: what it sees, takes, sends, and never sends."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from email.utils import formatdate
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from websockets.sync.server import serve

from diagnose.cli import main
from diagnose.evidence.intake import Original
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.report import Report
from diagnose.probe import clock as probe_time
from diagnose.probe import http as probe_http
from diagnose.probe import ladder as probe_ladder
from diagnose.probe import network as probe_network
from diagnose.probe import own as probe_own
from diagnose.probe import tls as probe_tls
from diagnose.probe.ladder import Effects, Wish
from diagnose.probe.network import probe
from diagnose.probe.target import read_subprotocols, read_target, read_time_server, read_timeout
from diagnose.shell import progress
from diagnose.shell.desk import Desk, Options
from diagnose.shell.probe_options import network_options
from diagnose.shell.router import Router
from tests.evidence.network_help import ETHERNET, FIXED, RECORD, answers, first, harmless, site
from tests.probe.probe_servers import (
    Papers,
    closed_port,
    drip,
    flood,
    full_port,
    peer,
    reply,
    says,
    silent,
    system,
    time_packet,
    time_server,
)  # fmt: skip

TLS = ETHERNET.replace("password", "tls")
HOME = Path(__file__).parents[2]
HARBOUR = str(HOME / "tests" / "sites" / "harbour-12.yaml")


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Papers:
    return Papers(tmp_path_factory.mktemp("papers"))


def climb(
    target: str, uplink: str = ETHERNET, run: Any = None, resolve: Callable[..., list[Any]] | None = None,
    record: bool = True, timeout: float = 1.0, **wish: Any
) -> tuple[Report, Original]:
    """Probe, with a laptop's own address made up, and hold what comes out to what any report has to keep."""
    effects = Effects(run or system(), resolve or socket.getaddrinfo)
    report, original = probe(Wish(read_target(target), timeout=timeout, **wish), site(uplink) if record else None, effects)
    harmless(report)
    assert original.size == len(original.excerpt.encode())
    assert all(c.isprintable() or c == "\n" for c in original.excerpt)
    return report, original


def fails(code: int) -> Callable[..., list[Any]]:
    def resolve(*a: Any, **k: Any) -> list[Any]:
        raise socket.gaierror(code, "as if")

    return resolve


def found(*addresses: str) -> Callable[..., list[Any]]:
    def resolve(host: str, port: int, **k: Any) -> list[Any]:
        return [(socket.AF_INET6 if ":" in a else socket.AF_INET, socket.SOCK_STREAM, 6, "", (a, port)) for a in addresses]

    return resolve


def rung(report: Report, name: str) -> str:
    return next((r["result"] for r in report.figures["rungs"] if r["step"] == name), "not tried")


def said(report: Report, words: str) -> bool:
    return any(words in s for s in report.says)


# ---- a sound way
@pytest.fixture
def office(papers: Papers) -> Iterator[Callable[..., Any]]:
    """A WebSocket server of a library that is nobody's here, with or without TLS."""
    running = []

    def start(tls: Any = None, subprotocols: list[str] | None = None, **more: Any) -> Any:
        heard: list[Any] = []

        def handler(connection: Any) -> None:
            for message in connection:
                heard.append(message)

        server = serve(handler, "127.0.0.1", 0, ssl=tls, subprotocols=subprotocols, **more)
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        running.append(server)
        return server.socket.getsockname()[1], heard

    yield start
    for server in running:
        server.shutdown()


def test_a_sound_way_is_climbed_to_the_top(office: Any, papers: Papers) -> None:
    port, heard = office(papers.server(by="between"), ["ocpp1.6"])
    report, original = climb(f"wss://localhost:{port}/ocpp/LARCH-1", TLS, issuers=str(papers.file), subprotocols=("ocpp1.6",))
    assert [r["step"] for r in report.figures["rungs"]] == ["address", "name", "port", "tls", "websocket"]
    assert all(r["result"] == "reached" for r in report.figures["rungs"])
    assert answers(report) == {
        "name-lookup": "resolves", "port-connect": "connects", "tls-look": "as-planned", "websocket-try": "answered", "handshake-record": "accepted",
    }  # fmt: skip
    assert report.figures["subprotocol"] == "ocpp1.6"
    assert report.figures["close_code"] == 1000  # the server's own goodbye: ours was a proper one
    assert report.figures["tls_version"] == "TLSv1.3"
    assert len(report.figures["certificates"]) == 2
    assert report.figures["certificates"][0]["names"] == ["localhost"]
    assert report.figures["interrupted"] is None
    assert heard == []
    assert "LARCH-1" in original.excerpt
    assert {t.lines for t in report.taken} >= {"step tls", "step websocket"}
    # The library dates its replies, so that the clock is compared too; it is the same clock.
    clock = report.figures["clock"]
    assert abs(clock["offset_s"]) <= clock["uncertainty_s"] <= 1.5


def test_the_version_comes_from_the_record(office: Any) -> None:
    port, _ = office(None, ["ocpp2.0.1", "ocpp1.6"])
    report, _ = climb(f"ws://127.0.0.1:{port}/ocpp/LARCH-1")
    assert report.figures["offered"] == ["ocpp1.6"]
    report, _ = climb(f"ws://127.0.0.1:{port}/ocpp/LARCH-1", record=False)
    assert report.figures["offered"] == ["ocpp1.6", "ocpp2.0.1"]
    assert report.figures["subprotocol"] in ("ocpp1.6", "ocpp2.0.1")


def test_only_a_handshake_and_a_goodbye_leave(papers: Papers) -> None:
    def behave(conn: socket.socket, got: bytes) -> None:
        key = re.search(rb"Sec-WebSocket-Key: (\S+)", got)
        assert key is not None
        conn.sendall(
            b"HTTP/1.1 101 Switching Protocols\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Protocol: ocpp1.6\r\n"
            b"Sec-WebSocket-Accept: " + probe_http.accept_for(key.group(1).decode()).encode() + b"\r\n\r\n"
            + b'\x81\x20[2,"1","TriggerMessage",{"a":1}]'  # a server that asks at once gets no answer
        )  # fmt: skip
        time.sleep(0.1)
        conn.sendall(b"\x88\x02\x03\xe8")

    with peer(behave) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1", subprotocols=("ocpp1.6",))
        time.sleep(0.05)
        (got,) = server.got
    assert answers(report)["handshake-record"] == "accepted"
    assert said(report, "1 messages by itself")
    head, _, rest = got.partition(b"\r\n\r\n")
    lines = head.decode("ascii").split("\r\n")
    assert lines[0] == "GET /ocpp/LARCH-1 HTTP/1.1"
    assert sorted(line.partition(":")[0] for line in lines[1:]) == [
        "Connection", "Host", "Sec-WebSocket-Key", "Sec-WebSocket-Protocol", "Sec-WebSocket-Version", "Upgrade"]  # fmt: skip
    # After the handshake: one masked close frame of eight bytes, code 1000, and nothing else.
    assert len(rest) == 8
    assert rest[:2] == b"\x88\x82"
    assert bytes(b ^ rest[2 + n] for n, b in enumerate(rest[6:])) == b"\x03\xe8"


def test_a_refused_certificate_gets_no_request(papers: Papers) -> None:
    with peer(silent, papers.server(ends=-1)) as server:
        report, _ = climb(f"wss://localhost:{server.port}/ocpp/LARCH-1", TLS, issuers=str(papers.file))
        time.sleep(0.1)
        assert server.got == [b"", b""]  # the careful handshake, and the one that only reads
    assert rung(report, "websocket") == "not tried"


# ---- what is wrong comes first
def test_name_that_is_not_found() -> None:
    for code, words in (
        (socket.EAI_NONAME, "no such name"), (socket.EAI_AGAIN, "no answer from a name server"),
        (socket.EAI_FAIL, "the name server fails"),
    ):
        report, _ = climb("wss://office.example/ocpp/LARCH-1", resolve=fails(code))
        assert said(report, words)
        assert answers(report) == {"name-lookup": "fails"}
    # What a laptop gets otherwise tells the name server from the line; the time service can (below), or a person.
    assert first(report, more=[("laptop-at-switch", "uplink 1", "gets-through")]) == "name-server-down"
    report, _ = climb("wss://office.example/ocpp/LARCH-1", FIXED, resolve=fails(socket.EAI_AGAIN), seen_from="station")
    assert answers(report)["connect-step"] == "stops-at-name"
    assert first(report, FIXED, [("name-lookup", "uplink 1", "resolves")]) == "name-server-wrong"


@pytest.fixture
def far(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lets the loopback count as something beyond the own networks."""
    monkeypatch.setattr(probe_ladder, "beyond", lambda address, found: True)


def test_what_lies_beyond_the_own_networks() -> None:
    own = probe_own.look(system(), 1).found
    assert [
        a
        for a in ("192.168.7.9", "127.0.0.1", "169.254.1.1", "192.168.8.9", "203.0.113.9", "::1")
        if probe_ladder.beyond(a, own)
    ] == ["192.168.8.9", "203.0.113.9"]
    assert probe_ladder.beyond("2600::1", own)


def test_name_and_time_service_tell_the_line_from_the_name_server(far: None) -> None:
    with time_server(lambda asked: [time_packet(asked)]) as (port, _):
        only_names = fails(socket.EAI_AGAIN)

        def resolve(host: str, *a: Any, **k: Any) -> list[Any]:
            return socket.getaddrinfo(host, *a, **k) if host == "127.0.0.1" else only_names()

        report, _ = climb("wss://office.example/ocpp/LARCH-1", resolve=resolve, clock_from=("127.0.0.1", port))
    assert answers(report) == {"name-lookup": "fails", "time-lookup": "answers", "laptop-at-switch": "gets-through"}
    assert first(report) == "name-server-down"


def test_a_resolver_that_hangs_is_given_up() -> None:
    began = time.monotonic()
    report, _ = climb("wss://office.example/x", resolve=lambda *a, **k: time.sleep(30) or [], timeout=0.3)
    assert time.monotonic() - began < 1.5
    assert said(report, "no answer from a name server within 0.3 s")
    assert answers(report) == {"name-lookup": "fails"}


def test_port_blocked_and_refused() -> None:
    with full_port() as port:
        report, _ = climb(f"wss://localhost:{port}/ocpp/LARCH-1", TLS, timeout=0.5)
    assert report.figures["connects"][0]["result"] == "no-answer"
    assert report.figures["connects"][0]["ms"] == pytest.approx(500, rel=0.5)
    assert answers(report) == {"name-lookup": "resolves", "port-connect": "no-answer", "websocket-try": "not-reached"}
    assert first(report, TLS) == "firewall-blocks-port"
    report, _ = climb(f"localhost:{closed_port()}")
    assert report.figures["connects"][0]["result"] == "refused"
    assert answers(report)["port-connect"] == "refused"


def test_certificates(papers: Papers) -> None:
    trusted = {"issuers": str(papers.file)}
    for made, wish, word, answer, fault, words in (
        (papers.server(ends=-3), trusted, "expired", "expired", "server-certificate-expired", "ran out 3.0 days ago"),
        (
            papers.server("office.example"), trusted, "name-differs", "name-differs", "server-name-differs",
            "does not name localhost but office.example",
        ),
        (papers.server(by="other"), trusted, "unknown-issuer", "other-issuer", "tls-opened-by-proxy", "does not send the certificate of its issuer"),
        (papers.server(by="between", whole=False), trusted, "unknown-issuer", "other-issuer", None, "leaves out a certificate in between"),
        (papers.server(), {}, "unknown-issuer", None, None, "give its certificate with --ca"),
        (papers.server(begins=400, ends=500), trusted, "not-yet-valid", "not-yet-valid", "server-certificate-not-begun", "becomes valid only in 400"),
        (papers.server(ends=5), trusted, "verified", "as-planned", None, "runs out in 5.0 days"),
    ):
        with peer(silent, made) as server:
            report, _ = climb(f"wss://localhost:{server.port}/ocpp/LARCH-1", TLS, timeout=0.4, **wish)
        assert report.figures["tls"] == word, report.says
        assert answers(report).get("tls-look") == answer, report.taken
        assert said(report, words), report.says
        assert report.figures["certificates"], word
        if fault:
            assert first(report, TLS) == fault


@pytest.mark.parametrize("newest", ["TLSv1_2", "TLSv1_3"])
def test_a_server_that_wants_a_certificate_of_ours(papers: Papers, newest: str) -> None:
    """What the probe cannot show says nothing of what the station can."""
    wanting = papers.server()
    wanting.maximum_version = getattr(ssl.TLSVersion, newest)
    wanting.verify_mode = ssl.CERT_REQUIRED
    wanting.load_verify_locations(str(papers.file))
    with peer(silent, wanting) as server:
        report, _ = climb(f"wss://localhost:{server.port}/ocpp/LARCH-1", TLS, timeout=0.6, issuers=str(papers.file))
    assert said(report, "wants a certificate"), report.says
    assert answers(report).get("tls-look") == ("as-planned" if newest == "TLSv1_3" else None)
    assert not {"websocket-try", "station-tls-error", "handshake-record"} & set(answers(report))


def test_a_server_that_speaks_first_is_no_websocket_server() -> None:
    with peer(says(b"+OK hello\r\n\r\n"), read_first=False) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1")
    assert report.figures["upgrade"] in ("not-http", "closed")
    assert answers(report)["websocket-try"] == "spoiled"


def test_the_common_name_is_remarked_on(papers: Papers) -> None:
    for common, words in (("localhost", None), (None, "its common name is not there"), ("old.example", "its common name is old.example")):
        with peer(silent, papers.server(common=common)) as server:
            report, _ = climb(f"localhost:{server.port}", TLS, timeout=0.3)
            assert report.figures["certificates"] == []  # a bare port: no TLS is tried
            report, _ = climb(f"wss://localhost:{server.port}/x", TLS, timeout=0.3, issuers=str(papers.file))
        assert said(report, "its common name") == (words is not None)
        assert words is None or said(report, words)


def test_a_chain_without_the_package_that_reads_it(papers: Papers, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cryptography", None)
    with peer(silent, papers.server(ends=-3)) as server:
        report, _ = climb(f"wss://localhost:{server.port}/x", TLS, timeout=0.4, issuers=str(papers.file))
    assert answers(report)["tls-look"] == "expired"
    assert said(report, "could not be read")
    assert report.figures["certificates"][0]["subject"] is None


def test_a_wrong_clock(papers: Papers) -> None:
    five_years = 5 * 365 * 86_400.0
    with (
        peer(silent, papers.server(begins=1700, ends=2000)) as server,
        time_server(lambda asked: [time_packet(asked, five_years)]) as (port, _),
    ):
        target = f"wss://localhost:{server.port}/ocpp/LARCH-1"
        wish: dict[str, Any] = {"timeout": 0.5, "issuers": str(papers.file), "clock_from": ("127.0.0.1", port)}
        report, _ = climb(target, TLS, seen_from="station", **wish)
        laptop, _ = climb(target, TLS, **wish)
    taken = answers(report)
    assert taken["station-tls-error"] == "not-yet-valid"
    assert taken["connect-step"] == "stops-at-tls"
    assert float(taken["clock-read"].split()[0]) == pytest.approx(-five_years, abs=1)
    assert first(report, TLS) == "station-clock-lost"
    assert said(report, "the clock of this computer is to blame")
    # A laptop whose clock is wrong may say nothing of dates.
    assert answers(laptop) == {"name-lookup": "resolves", "port-connect": "connects", "time-lookup": "answers"}
    assert said(laptop, "own clock is wrong")


def test_an_own_clock_that_was_never_set(papers: Papers, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a station that has just been switched on; only this program's own look at the clock is put back."""
    stopped = SimpleNamespace(time=lambda: 86_400.0, strftime=time.strftime, gmtime=time.gmtime, monotonic=time.monotonic)
    monkeypatch.setattr(probe_network, "time", stopped)
    monkeypatch.setattr(probe_network.time, "strftime", lambda form, *a: time.strftime(form, time.gmtime(86_400)))
    with peer(silent, papers.server(begins=10)) as server:
        report, _ = climb(f"wss://localhost:{server.port}/x", TLS, timeout=0.5, issuers=str(papers.file))
    assert said(report, "this computer's clock shows 1970-01-02, so its clock was never set")


def test_an_expired_certificate_seen_with_a_wrong_clock_is_not_taken(papers: Papers) -> None:
    with (
        peer(silent, papers.server(begins=-100, ends=-50)) as server,
        time_server(lambda asked: [time_packet(asked, -80 * 86_400)]) as (port, _),
    ):
        report, _ = climb(f"wss://localhost:{server.port}/x", TLS, timeout=0.5, issuers=str(papers.file), clock_from=("127.0.0.1", port))
    assert "tls-look" not in answers(report)
    assert said(report, "by the right time the certificate is in date")


def test_statuses_of_the_upgrade() -> None:
    for status, answer, faults in (
        ("404 Not Found", "unknown-404", {"unit-identity-unknown", "site-not-registered", "unit-identity-mistyped"}),
        ("403 Forbidden", "refused-403", {"unit-identity-blocked"}),
        ("503 Service Unavailable", "server-error", {"back-office-outage"}),
        ("401 Unauthorized", None, None),
    ):
        with peer(says(reply(status))) as server:
            report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1")
            assert answers(report).get("handshake-record") == answer
            assert report.figures["status"] == int(status[:3])
            if faults:
                assert first(report) in faults, status
            elsewhere, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/NOBODY-7")
            made_up, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1", made_up=True)
        if status[0] == "4":
            assert "handshake-record" not in answers(elsewhere)
            assert "handshake-record" not in answers(made_up)
            assert said(elsewhere, "not one that the record holds")
    assert answers(made_up)["websocket-try"] if status == "404 Not Found" else True


def test_a_wrong_path() -> None:
    """404 alone means an unknown identity; once the back office holds it and the unit agrees, the path is wrong."""
    with peer(says(reply("404 Not Found"))) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocp/LARCH-1")
    more = [("registry-record", "unit 1", "entered"), ("identity-compare", "unit 1", "agrees"), ("url-compare", "uplink 1", "differs")]
    assert first(report, more=more) == "url-wrong"


def test_no_version_in_common(office: Any) -> None:
    port, _ = office(None, None)  # the library completes the handshake without a version, as the standard has it
    report, _ = climb(f"ws://127.0.0.1:{port}/ocpp/LARCH-1", subprotocols=("ocpp1.6",))
    assert answers(report)["handshake-record"] == "closed-no-version"
    assert first(report) == "protocol-version-differs"
    port, _ = office(None, None, select_subprotocol=lambda *a: "ocpp1.5")
    report, _ = climb(f"ws://127.0.0.1:{port}/ocpp/LARCH-1", subprotocols=("ocpp1.6",))
    assert answers(report)["version-compare"] == "none-in-common"
    assert first(report) == "protocol-version-differs"
    port, _ = office(None, ["ocpp2.0.1"])  # this library refuses with 400 when it has versions but none fits
    report, _ = climb(f"ws://127.0.0.1:{port}/ocpp/LARCH-1", subprotocols=("ocpp1.6",))
    assert report.figures["status"] == 400


def test_sent_elsewhere() -> None:
    portal = reply("302 Found", "Location: http://welcome.hotspot.example/start?\x1b[31mred", "Content-Type: text/html")
    with peer(says(portal)) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1")
        assert answers(report)["port-connect"] == "intercepted"
        assert first(report) == "sign-in-page-in-the-way"
        assert len(server.got) == 1  # not followed
    with peer(says(reply("200 OK", "Content-Type: text/html", body=b"<html>please accept the terms</html>"))) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1")
    assert answers(report)["websocket-try"] == "spoiled"
    assert said(report, "sign-in page of the network, or a wrong path")
    with peer(says(reply("301 Moved Permanently", f"Location: wss://127.0.0.1:{server.port}/new"))) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1")
    assert said(report, "it was not followed")


def test_own_address_and_gateway() -> None:
    no_names = fails(socket.EAI_AGAIN)
    target = "wss://office.example/ocpp/LARCH-1"
    report, _ = climb(target, run=system("169.254.17.3", 16, ""), resolve=no_names)
    assert answers(report) == {"laptop-at-switch": "no-address"}
    assert first(report) == "address-server-silent"
    assert rung(report, "name") == "not tried"
    report, _ = climb(target, run=system("", gateway=""), resolve=no_names, seen_from="station")
    assert answers(report) == {"network-address-shown": "blank", "connect-step": "stops-at-address"}
    report, _ = climb(target, run=system("", gateway="", up=False), resolve=no_names, seen_from="cable")
    assert answers(report) == {"laptop-at-station": "no-link"}
    report, _ = climb(target, FIXED, run=system("192.168.7.20", 24, "192.168.8.1"), resolve=no_names, seen_from="station")
    assert answers(report)["network-settings"] == "mask-or-gateway"
    assert answers(report)["connect-step"] == "stops-at-gateway"
    assert first(report, FIXED) == "mask-or-gateway-wrong"
    report, _ = climb(target, run=system(gateway=""), resolve=no_names)
    assert answers(report)["laptop-at-switch"] == "no-way-out"
    report, _ = climb(target, run=system(heard="FAILED"), resolve=no_names)
    assert answers(report)["laptop-at-switch"] == "no-way-out"
    assert said(report, "does not answer the address question")


def test_a_gateway_that_looks_wrong_and_leads_out_is_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    for beyond, words in ((False, "yet what was asked for lies in the own network"), (True, "yet something beyond it answers")):
        monkeypatch.setattr(probe_ladder, "beyond", lambda address, found, beyond=beyond: beyond)
        with peer(says(reply("404 Not Found"))) as server:
            report, _ = climb(f"ws://office.example:{server.port}/ocpp/LARCH-1", run=system(gateway="10.9.9.1"), resolve=found("127.0.0.1"))
        assert said(report, words)
        assert answers(report).get("laptop-at-switch") == ("gets-through" if beyond else None)
        assert report.figures["stops_at"] == "websocket"
    # A name that leads to the own computer is barred by somebody, and who answers there is not the back office.
    assert answers(report) == {"laptop-at-switch": "gets-through", "name-lookup": "other-address"}
    assert said(report, "a filter bars the name")
    assert first(report) == "name-server-down"


def test_clashes_of_own_addresses_are_said() -> None:
    twice = [{"ifname": "eth1", "flags": ["UP"], "operstate": "UP", "addr_info": [{"family": "inet", "local": "192.168.7.77", "prefixlen": 24}]}]
    report, _ = climb("office.example", run=system(more=twice), resolve=fails(socket.EAI_AGAIN))
    assert said(report, "192.168.7.77 is set twice, on eth0 and on eth1")
    twice[0]["addr_info"] = [{"family": "inet", "local": "192.168.7.78", "prefixlen": 24}]
    report, _ = climb("office.example", run=system(more=twice), resolve=fails(socket.EAI_AGAIN))
    assert said(report, "both lie in 192.168.7.0/24")


def test_ways_out_of_other_kinds() -> None:
    def run(words: Any, seconds: float) -> str:
        text = system()(words, seconds)
        return json.dumps([{"dst": "default", "dev": "wwan0"}, *json.loads(text)[:1]]) if words[2] == "route" else text

    report, _ = climb("office.example", run=run, resolve=fails(socket.EAI_AGAIN))
    assert said(report, "the way out by wwan0 has no gateway")
    assert said(report, "more than one way out: this goes by wwan0, not by eth0")
    assert answers(report) == {"name-lookup": "fails"}
    six = [
        {
            "ifname": "eth0", "flags": ["UP"], "operstate": "UP",
            "addr_info": [{"family": "inet6", "local": "2600::5", "prefixlen": 64, "scope": "global"}],
        }
    ]

    def six_only(words: Any, seconds: float) -> str:
        return {"addr": json.dumps(six), "route": "[]"}.get(words[2], "")

    report, _ = climb("office.example", run=six_only, resolve=fails(socket.EAI_AGAIN))
    assert said(report, "only IPv6 addresses, which are not judged")
    assert "no-address" not in answers(report).values()


def test_without_the_command_ip_the_kernel_is_asked() -> None:
    report, _ = climb("office.example", run=lambda words, seconds: "", resolve=fails(socket.EAI_AGAIN))
    if sys.platform == "linux":
        theirs = subprocess.run(["ip", "-json", "addr"], capture_output=True, check=False).stdout if shutil.which("ip") else b"[]"
        known = {
            (i["local"], i["prefixlen"])
            for row in json.loads(theirs)
            if row["ifname"] != "lo"
            for i in row["addr_info"]
            if i["family"] == "inet"
        }
        assert {(a["address"], a["prefix"]) for a in report.figures["addresses"] if a["address"]} <= (known or {("", 0)})


def test_reached_by_the_newer_family_only(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("::1", 0), family=socket.AF_INET6) as listening:
        port = listening.getsockname()[1]
        report, _ = climb(f"office.example:{port}", run=system(gateway="10.9.9.1"), resolve=found("::1"))
    assert said(report, "by IPv6 only")
    assert report.figures["stops_at"] == "gateway"


def test_several_addresses_are_tried_and_few() -> None:
    with peer(says(reply("404 Not Found"))) as server:
        report, _ = climb(
            f"ws://office.example:{server.port}/x",
            resolve=found("127.0.0.3", "::1", "127.0.0.1", *(f"127.0.1.{n}" for n in range(9))), timeout=0.5,
        )
        assert len(server.got) <= 1
    assert [c["address"] for c in report.figures["connects"]] == ["127.0.0.3", "::1", "127.0.0.1", "127.0.1.0"]
    assert [c["result"] for c in report.figures["connects"]][2] == "connects"
    assert said(report, "both families")
    assert said(report, "not every address")
    assert said(report, "and 8 more")


# ---- time
def packets(*made: Callable[[bytes], bytes]) -> Callable[[bytes], list[bytes]]:
    return lambda asked: [m(asked) for m in made]


@pytest.mark.parametrize("ahead", [-3.25, 0.0, 7.5, 86_400.0 * 400])
def test_the_time_service_gives_a_known_offset(ahead: float) -> None:
    with time_server(packets(lambda asked: time_packet(asked, ahead))) as (port, got):
        report, _ = climb(f"127.0.0.1:{closed_port()}", clock_from=("127.0.0.1", port))
    clock = report.figures["clock"]
    assert clock["offset_s"] == pytest.approx(-ahead, abs=clock["uncertainty_s"] + 0.001)
    assert clock["uncertainty_s"] < 0.5
    assert answers(report)["time-lookup"] == "answers"
    assert len(got) == 1
    assert got[0][:1] == b"\x23"  # version 4, client
    assert len(got[0]) == 48
    assert got[0][1:40] == bytes(39)  # nothing of this computer but a random number


def test_time_across_2036() -> None:
    """The seconds of the protocol begin anew in 2036 (RFC 4330, 3)."""
    asked = probe_time.request(5)
    for when in (1_764_000_000.0, 2_085_978_495.0, 2_085_978_497.0, 2_400_000_000.0):
        answer = probe_time.judge(time_packet(asked, at=when), 5, when - 1, when + 1, "x")
        assert answer is not None
        assert answer.offset is not None
        assert answer.offset.seconds == pytest.approx(0, abs=0.001)
        assert answer.offset.uncertainty == pytest.approx(1, abs=0.001)


def test_time_that_may_not_be_believed() -> None:
    for made, words, answered in (
        (packets(lambda a: time_packet(a, stratum=0, reference=b"RATE")), "turns this computer away (RATE)", True),
        (packets(lambda a: time_packet(a, stratum=0, reference=b"\x1b[2J")), "turns this computer away", True),
        (packets(lambda a: time_packet(a, leap=3)), "not set to the time", True),
        (packets(lambda a: time_packet(a, stratum=16)), "not set to the time", True),
        (packets(lambda a: time_packet(a, at=5e8)), "shows 1985-11-05", True),
        (packets(lambda a: b"\xff" * 300, lambda a: b"", lambda a: a), "packets that are no time", False),
        (packets(lambda a: time_packet(a, origin=77)), "packets that are no time", False),
        (packets(lambda a: time_packet(a, mode=3)), "packets that are no time", False),
        (packets(), "does not answer", False),
    ):
        with time_server(made) as (port, got):
            report, _ = climb(f"127.0.0.1:{closed_port()}", clock_from=("127.0.0.1", port), timeout=0.25)
        assert said(report, words), report.says
        assert report.figures["clock"] is None
        assert answers(report).get("time-lookup") == (None if answered else "no-answer")
        assert len(got) == (1 if answered else 2)
    report, _ = climb(f"127.0.0.1:{closed_port()}", clock_from=("127.0.0.1", closed_port()))
    assert answers(report)["time-lookup"] == "no-answer"


def test_a_flood_of_time_packets_ends() -> None:
    began = time.monotonic()
    with time_server(lambda asked: [b"x" * 48] * 200) as (port, _):
        report, _ = climb(f"127.0.0.1:{closed_port()}", clock_from=("127.0.0.1", port), timeout=1)
    assert time.monotonic() - began < 2.5
    assert report.not_understood == probe_time.MOST_PACKETS


def test_the_date_of_a_reply() -> None:
    for shift, limit in ((0, 1.2), (-7200, 1.2)):
        with peer(says(reply("404 Not Found", f"Date: {formatdate(time.time() + shift, usegmt=True)}"))) as server:
            report, _ = climb(f"ws://127.0.0.1:{server.port}/x", seen_from="station")
        clock = report.figures["clock"]
        assert abs(clock["offset_s"] + shift) <= clock["uncertainty_s"] + 1
        assert clock["uncertainty_s"] < limit
        assert float(answers(report)["clock-read"].split()[0]) == pytest.approx(-shift, abs=1.5)
    for bad in ("", "x" * 200, "Fri, 31 Dec 9999 23:59:59 GMT", "Thu, 01 Jan 1970 00:00:00 GMT", "Fri, 99 Xxx 9999999999 99:99:99", "\x1b[31m"):
        assert probe_time.by_date(bad, 1.0, 2.0) is None


# ---- hostile and broken peers
def test_peers_that_never_finish(papers: Papers) -> None:
    endless = b"HTTP/1.1 101 Switching Protocols\r\nX: " + b"a" * 500
    for behave, words, end, most in (
        (silent, "no reply until time-out", "silent", 1.5),
        (drip(b"HTTP/1.1 404 Not Found\r\n" * 9, 0.05), "an unfinished reply until time-out", "silent", 1.5),
        (flood(endless, b"A" * 65_536), "longer than 16384 bytes", "too-long", 1.5),
        (flood(b"", b"a: b\r\n" * 10_000), "longer than 16384 bytes", "too-long", 1.5),
        (says(b""), "closed without a reply", "closed", 1.5),
        (says(b"HTTP/1.1 404"), "closed in the middle", "closed", 1.5),
        (says(b"SSH-2.0-x\r\n\r\n"), "does not speak HTTP", "not-http", 1.5),
    ):
        with peer(behave) as server:
            began = time.monotonic()
            report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1", timeout=0.3)
            assert time.monotonic() - began < most
        assert report.figures["upgrade"] == end, words
        assert said(report, words), report.says
        assert answers(report).get("websocket-try") == ("no-reply" if behave is silent else None if end == "silent" else "spoiled")
    with peer(silent, read_first=False) as server:  # takes the TLS greeting and says nothing
        report, _ = climb(f"wss://localhost:{server.port}/x", TLS, timeout=0.3)
    assert said(report, "no TLS reply until time-out")
    assert answers(report)["tls-look"] == "cut-off"
    with peer(says(b"220 hello\r\n" * 4), read_first=False) as server:
        report, _ = climb(f"wss://localhost:{server.port}/x", TLS, timeout=0.3)
    assert said(report, "does not speak TLS")


def test_a_peer_that_talks_for_ever_after_the_upgrade() -> None:
    def behave(conn: socket.socket, got: bytes) -> None:
        key = re.search(rb"Sec-WebSocket-Key: (\S+)", got)
        assert key is not None
        accept = probe_http.accept_for(key.group(1).decode())
        conn.sendall(reply("101 Switching Protocols", "Upgrade: websocket", "Connection: Upgrade", f"Sec-WebSocket-Accept: {accept}"))
        while True:
            conn.sendall(b"\x81\x05hello" * 5000)

    began = time.monotonic()
    with peer(behave) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1", timeout=0.5)
    assert time.monotonic() - began < 3
    assert report.figures["upgrade"] == "accepted"


def test_a_wrong_accept_key_and_an_upgrade_that_is_none() -> None:
    wrong = reply("101 Switching Protocols", "Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Accept: HSmrc0sMlYUkAGmm5OPpG2HaGWk=")
    with peer(says(wrong)) as server:
        report, _ = climb(f"ws://127.0.0.1:{server.port}/ocpp/LARCH-1")
    assert report.figures["upgrade"] == "wrong-accept"
    assert answers(report)["websocket-try"] == "spoiled"
    assert "handshake-record" not in answers(report)


def test_hostile_words_stay_words(papers: Papers) -> None:
    head = "\r\n".join([
        "HTTP/1.1 302 \x1b]0;title\x07Found", "Location: http://\x1b[2J[bold]\u202eevil/",
        "Sec-WebSocket-Protocol: \x1b[31mocpp", "no field at all \x9b5m",
        "Date: \x1b[8m", *(f"X-{n}: y" for n in range(300)), "", "",
    ])  # fmt: skip
    with peer(says(head.encode("utf-8"))) as server:
        report, original = climb(f"ws://127.0.0.1:{server.port}/a%1bb", subprotocols=("ocpp1.6",))
    assert report.not_understood >= 1
    assert "\x1b" not in json.dumps(report.says) + original.excerpt
    with peer(silent, papers.server("office.example", organization="\x1b[31mred\nline [bold]")) as server:
        report, _ = climb(f"wss://localhost:{server.port}/x", TLS, timeout=0.4, issuers=str(papers.file))
    assert report.figures["tls"] == "name-differs"
    assert any("red" in s for s in report.says)
    assert probe_tls.read_certificate(b"\x30\x82\xff\xff" + b"A" * 300).subject == ""


def test_damaged_replies_do_no_harm() -> None:
    import random

    chance = random.Random(20)
    good = reply(
        "101 Switching Protocols", "Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Accept: x",
        "Date: Mon, 01 Jan 2026 00:00:00 GMT",
    )
    asked = probe_time.request(9)
    for _ in range(2000):
        data = bytearray(good)
        for _ in range(chance.randint(1, 8)):
            data[chance.randrange(len(data))] = chance.randrange(256)
        head = probe_http.parse_head(bytes(data))
        assert head is None or 100 <= head.status <= 599
        probe_http.frames(bytes(data))
        packet = bytearray(time_packet(asked))
        packet[chance.randrange(48)] = chance.randrange(256)
        probe_time.judge(bytes(packet), 9, 1e9, 1e9 + 1, "x")
        for shift in (0, 24, 32, 40):  # any date at all
            packet[shift : shift + 8] = chance.randbytes(8)
        probe_time.judge(bytes(packet), 9, 1e9, 1e9 + 1, "x")


# ---- stopping, the command, the page
def test_stopped_by_hand_it_says_so_far(papers: Papers) -> None:
    begun = threading.Event()

    def behave(conn: socket.socket, got: bytes) -> None:
        begun.set()
        time.sleep(8)

    with peer(behave) as server:
        words = [sys.executable, "-m", "diagnose", "probe", "network", f"ws://127.0.0.1:{server.port}/x", "--timeout", "20", "--json"]
        for signum in (signal.SIGINT, signal.SIGTERM):
            begun.clear()
            began = time.monotonic()
            running = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(HOME)})
            assert begun.wait(10)
            running.send_signal(signum)
            out, err = running.communicate(timeout=10)
            assert running.returncode == 130, err
            value = json.loads(out)
            assert value["figures"]["interrupted"] == "websocket"
            assert value["says"][1].startswith("stopped at the step websocket")
            assert [r["step"] for r in value["figures"]["rungs"]][-1] == "port"
            assert err == b""
            assert time.monotonic() - began < 10


def test_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    port = closed_port()
    assert main(["probe", "network", f"127.0.0.1:{port}", "--timeout", "1", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["format"] == 1
    assert value["kind"] == "network-probe"
    assert value["file"]["name"] == f"probe of 127.0.0.1:{port}"
    assert {r["check"] for r in value["readings"]} == {"port-connect", "websocket-try"}
    assert main(["probe", "network", f"127.0.0.1:{port}", "--timeout", "1"]) == 0
    assert "Readings (2):" in capsys.readouterr().out
    for bad in (
        ["ftp://x/"], ["wss://u:p@x/"], ["x y"], ["x:0"], ["wss://x/#a"], ["x", "--timeout", "0"],
        ["x", "--subprotocol", "a b"], ["x", "--unit", "z"],
        ["wss://x/", "--ca", str(tmp_path / "none.pem")], ["x", "--clock-from", "a b"], ["x", "--record", str(tmp_path / "none.yaml")],
    ):  # fmt: skip
        assert main(["probe", "network", *bad]) == 2, bad
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("diagnose: ")
        assert err.count("\n") == 1


def test_what_is_typed_is_read() -> None:
    for text, wanted in (
        ("office.example", ("office.example", 443, True, "")),
        ("office.example:9000", ("office.example", 9000, False, "")),
        ("wss://Office.Example/ocpp/A%20B?x=1", ("office.example", 443, True, "/ocpp/A%20B?x=1")),
        ("https://office.example", ("office.example", 443, True, "/")),
        ("ws://[::1]:8080/é", ("::1", 8080, False, "/%C3%A9")),
        ("::1", ("::1", 443, True, "")),
        ("[::1]:90", ("::1", 90, False, "")),
        ("büro.example", ("xn--bro-hoa.example", 443, True, "")),
    ):
        assert tuple(read_target(text)) == wanted
    assert str(read_target("wss://office.example/ocpp/U?token=secret")) == "wss://office.example/ocpp/U?..."
    assert read_target("wss://office.example/ocpp/A%20B/").identity == "A B"
    assert read_time_server("time.example") == ("time.example", 123)
    assert read_subprotocols(["ocpp1.6,ocpp2.0.1"], ()) == ("ocpp1.6", "ocpp2.0.1")
    assert read_timeout("2.5") == 2.5
    for bad in (
        "", "wss://", "wss://x:99999/", "wss://x:0/", "a" * 3000, "wss://x\r\nHost: y/", "mailto:x", "1.2.3",
        "-x.example", "ws://exa mple/", "wss://[::1/", "x:é",
    ):
        with pytest.raises(EvidenceError):
            read_target(bad)


def apart(script: str) -> dict[str, Any]:
    """Run in a network namespace of its own; the last command prints the probe's JSON."""
    if shutil.which("unshare") is None or shutil.which("ip") is None:
        pytest.skip("needs commands of the system")
    done = subprocess.run(
        ["unshare", "-n", "sh", "-c", script], capture_output=True, timeout=30,
        env={**os.environ, "PYTHONPATH": str(HOME)}, check=False,
    )
    if not done.stdout:
        pytest.skip("no network namespace with interfaces may be made here")
    value: dict[str, Any] = json.loads(done.stdout)
    return value


PROBE = f"exec {sys.executable} -m diagnose probe network 203.0.113.9:443 --json --timeout"
WIRE = r"""
import fcntl, os, struct, subprocess, sys, threading
tap = os.open("/dev/net/tun", os.O_RDWR)
fcntl.ioctl(tap, 0x400454CA, struct.pack("16sH22x", b"t0", 0x1002))
def answer():
    while True:
        frame = os.read(tap, 2048)
        if frame[12:14] == b"\x08\x06" and frame[20:22] == b"\0\x01" and frame[38:42] == bytes((192, 168, 7, 1)):
            mac = b"\x02\0\0\0\0\x07"
            os.write(tap, frame[6:12] + mac + frame[12:20] + b"\0\x02" + mac + frame[38:42] + frame[22:32])
threading.Thread(target=answer, daemon=True).start()
for line in ("addr add 192.168.7.20/24 dev t0", "link set t0 up", "route add default via 192.168.7.1"):
    subprocess.run(["ip", *line.split()], check=True)
sys.exit(subprocess.run(sys.argv[1:]).returncode)
"""


def test_no_interface_at_all() -> None:
    value = apart(f"{PROBE} 1")
    assert [(r["check"], r["answer"]) for r in value["readings"]] == [("laptop-at-switch", "no-link")]
    assert [r["step"] for r in value["figures"]["rungs"]] == ["address"]


def test_a_gateway_that_is_not_there() -> None:
    """On a wire with nobody at its other end the system itself finds that the gateway does not answer."""
    value = apart(
        "ip link add br0 type bridge && ip addr add 192.168.7.20/24 dev br0 && ip link set br0 up && "
        f"ip route add default via 192.168.7.1 && {PROBE} 0.7"
    )
    rungs = {r["step"]: r for r in value["figures"]["rungs"]}
    assert rungs["address"]["result"] == "reached"
    assert rungs["gateway"]["says"] == "gateway 192.168.7.1 does not answer the address question"
    assert {r["check"]: r["answer"] for r in value["readings"]}["laptop-at-switch"] == "no-way-out"


def test_a_gateway_that_answers_and_lets_nothing_through() -> None:
    """A gateway that answers for its hardware address, and throws everything else away."""
    wire = f"exec {sys.executable} -c '{WIRE}'"
    value = apart(f"{wire} {PROBE.removeprefix('exec ')} 0.7")
    rungs = {r["step"]: r for r in value["figures"]["rungs"]}
    assert rungs["gateway"]["says"] == "gateway 192.168.7.1 answers the address question"
    assert value["figures"]["connects"][0]["result"] == "no-answer"
    assert {r["check"]: r["answer"] for r in value["readings"]} == {"port-connect": "no-answer", "websocket-try": "not-reached"}
    # A filter that says at once that the host is not to be reached.
    value = apart(f"{wire} sh -c \"ip route add unreachable 203.0.113.9 && {PROBE} 0.7\"")
    assert value["figures"]["connects"][0]["result"] == "unreachable"
    assert {r["check"]: r["answer"] for r in value["readings"]} == {"port-connect": "refused", "websocket-try": "not-reached"}


# ---- in a running case, and the progress
@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    made = Desk(str(tmp_path_factory.mktemp("desk") / "cases.db"))
    yield made
    made.close()


def test_a_case_takes_the_probe_after_one_question(desk: Desk) -> None:
    session = Router(desk, Options("technician", HARBOUR, ""), 80)
    session.start()
    for text in ("n", "units 6-12 are silent", "1", "", "y"):
        session.handle(text)
    assert session.case.book is not None
    before = len(session.case.book.events)
    port = closed_port()
    shown = session.handle(f"probe network 127.0.0.1:{port} --timeout 1")
    assert any("Record it?" in line.text for line in shown)
    session.handle("1")
    added = session.case.book.events[before:]
    assert [e.kind for e in added] == ["attached", "reading", "reading"]
    assert added[0].data["kind"] == "network-probe"
    assert "127.0.0.1 refuses" in added[0].data["beginning"]
    assert (added[1].data["check"], added[1].data["answer"]) == ("port-connect", "refused")


def test_each_step_is_told_on_a_terminal_only(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    words = ["probe", "network", f"127.0.0.1:{closed_port()}", "--timeout", "1"]
    assert main(words) == 0
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(progress, "is_terminal", lambda stream: True)
    monkeypatch.setenv("ACCESSIBLE", "1")
    assert main(words) == 0
    err = capsys.readouterr().err
    assert err.startswith("own address ...\nport ")
    assert "\x1b" not in err
    monkeypatch.delenv("ACCESSIBLE")
    monkeypatch.setenv("TERM", "xterm")
    assert main(words) == 0
    out, _ = capsys.readouterr()
    assert "Readings (2):" in out


def test_the_page_tells_the_truth(papers: Papers, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = (HOME / "docs/evidence/probe-network.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"```sh\n(.*?)```", page, re.S)
    steps, table = re.findall(r"```text\n(.*?)```", page, re.S)
    record = tmp_path / "site.yaml"
    record.write_text(RECORD.format(uplink=TLS), encoding="utf-8")
    with peer(silent, papers.server(ends=-3)) as server:
        words = command.replace("8443", str(server.port)).replace("site.yaml", str(record)).replace("issuer.pem", str(papers.file)).split()
        assert main([*words[1:], "--json"]) == 0
        value = json.loads(capsys.readouterr().out)
        report, _ = climb(f"wss://localhost:{server.port}/ocpp/LARCH-1", TLS, issuers=str(papers.file))
    assert steps.split("\n")[:-1] == [f"{r['step']} {r['result']}" for r in value["figures"]["rungs"]]
    shown = [f"{r['check']:<20}{r['at']:<10}{r['answer']:<14}{r['lines']}".rstrip() for r in value["readings"]]
    assert table.strip().split("\n") == shown
    assert first(report, TLS) == "server-certificate-expired"
    named = {n for row in re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", page.partition("## Figures")[2], re.M) for n in re.findall(r"`(\w+)`", row)}
    assert named == set(report.figures)
    options = set(re.findall(r"^\| `(--[\w-]+)", page, re.M)) | {"--unit"}
    made = ArgumentParser()
    network_options(made)
    assert options == {o for o in made._option_string_actions if o.startswith("--") and o != "--help"}
