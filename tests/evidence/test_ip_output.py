"""Output of network commands: what is understood, what is taken, and that the true fault comes first."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest

from diagnose.evidence.network.ip.reader import read_ip_output
from diagnose.evidence.reader import Asked, recognise
from diagnose.evidence.report import Report
from tests.evidence.network_help import ETHERNET, FIXED, answers, first, harmless, patience, site, torture

TLS = ETHERNET.replace("password", "tls")


def interface(local: str, prefix: int = 24, up: bool = True) -> str:
    """One answer of `ip -json addr` for a loopback and a wired interface."""
    flags = ["BROADCAST", "MULTICAST", "UP", *(["LOWER_UP"] if up else ["NO-CARRIER"])]
    info = [{"family": "inet", "local": local, "prefixlen": prefix, "scope": "global", "dynamic": True, "label": "eth0"}] if local else []
    lo = {
        "ifindex": 1, "ifname": "lo", "flags": ["LOOPBACK", "UP"], "operstate": "UNKNOWN",
        "addr_info": [{"family": "inet", "local": "127.0.0.1", "prefixlen": 8}],
    }
    eth = {"ifindex": 2, "ifname": "eth0", "flags": flags, "mtu": 1500, "operstate": "UP" if up else "DOWN", "address": "02:00:00:00:00:01",
           "addr_info": [*info, {"family": "inet6", "local": "fe80::1", "prefixlen": 64}]}  # fmt: skip
    return json.dumps([lo, eth])


def route(gateway: str) -> str:
    """One answer of `ip -json route`."""
    return json.dumps([{"dst": "default", "gateway": gateway, "dev": "eth0", "protocol": "dhcp", "flags": []},
                       {"dst": "192.168.7.0/24", "dev": "eth0", "scope": "link", "prefsrc": "192.168.7.20", "flags": []}])  # fmt: skip


PING_OK = """PING 192.168.7.1 (192.168.7.1) 56(84) bytes of data.
64 bytes from 192.168.7.1: icmp_seq=1 ttl=64 time=0.61 ms

--- 192.168.7.1 ping statistics ---
20 packets transmitted, 20 received, 0% packet loss, time 19003ms
rtt min/avg/max/mdev = 0.513/0.611/0.799/0.061 ms
"""
DIG = """; <<>> DiG 9 <<>> office.example
;; global options: +cmd
;; Got answer:
;; ->>HEADER<<- opcode: QUERY, status: NOERROR, id: 4711
;; flags: qr rd ra; QUERY: 1, ANSWER: 1, AUTHORITY: 0, ADDITIONAL: 1

;; QUESTION SECTION:
;office.example.			IN	A

;; ANSWER SECTION:
office.example.		300	IN	A	203.0.113.9

;; Query time: 12 msec
"""
UPGRADE = """* Host office.example:443 was resolved.
*   Trying 203.0.113.9:443...
* Connected to office.example (203.0.113.9) port 443
* SSL connection using TLSv1.3
*  SSL certificate verify ok.
> GET /ocpp/LARCH-1 HTTP/1.1
> Host: office.example
> Connection: Upgrade
> Upgrade: websocket
> Authorization: Basic TEFSQ0g6c2VjcmV0
> Sec-WebSocket-Protocol: ocpp1.6
> Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==
>
< HTTP/1.1 101 Switching Protocols
< Upgrade: websocket
< Connection: Upgrade
< Sec-WebSocket-Protocol: ocpp1.6
<
"""
NAMES_FAIL = """;; communications error to 192.168.7.53#53: timed out
;; no servers could be reached
"""
REFUSED_CERT = (
    UPGRADE.split("*  SSL")[0]
    + "* SSL certificate problem: certificate has expired\n* closing connection #0\n"
    "curl: (60) SSL certificate problem: certificate has expired\n"
)
TIMEOUT = """*   Trying 203.0.113.9:443...
* connect to 203.0.113.9 port 443 from 192.168.7.20 port 40112 failed: Connection timed out
* Failed to connect to office.example port 443 after 130021 ms: Could not connect to server
curl: (28) Failed to connect to office.example port 443 after 130021 ms: Could not connect to server
"""
WINDOWS = """C:\\Users\\desk>ping office.example

Pinging office.example [203.0.113.9] with 32 bytes of data:
Reply from 203.0.113.9: bytes=32 time=31ms TTL=55
Request timed out.

Ping statistics for 203.0.113.9:
    Packets: Sent = 40, Received = 30, Lost = 10 (25% loss),
Approximate round trip times in milli-seconds:
    Minimum = 30ms, Maximum = 35ms, Average = 31ms
"""


def read(text: str, name: str = "laptop.txt", uplink: str = ETHERNET) -> Report:
    report = read_ip_output(io.BytesIO(text.encode()), Asked(name, site(uplink)))
    harmless(report)
    return report


def test_a_healthy_path_is_read_whole() -> None:
    report = read("\n".join((interface("192.168.7.20"), route("192.168.7.1"), PING_OK, DIG, UPGRADE)))
    assert report.not_understood == 0, report.samples
    assert answers(report) == {
        "laptop-at-station": "gets-through", "name-lookup": "resolves", "port-connect": "connects", "tls-look": "as-planned",
        "websocket-try": "answered", "handshake-record": "accepted",
    }  # fmt: skip
    assert report.figures["stops_at"] is None
    assert report.figures["pings"] == [{"target": "192.168.7.1", "sent": 20, "received": 20, "loss_percent": 0.0, "average_ms": 0.611}]
    assert "secret" not in repr(report)
    assert "TEFSQ0g6" not in repr(report)


def test_the_same_on_the_station() -> None:
    report = read("\n".join((interface("192.168.7.20"), route("192.168.7.1"), UPGRADE)), "station.txt", FIXED)
    assert answers(report)["connect-step"] == "gets-through"
    assert answers(report)["network-address-shown"] == "fits"


CASES = [
    ("laptop.txt", interface("169.254.17.3", 16), ETHERNET, "address-server-silent"),
    ("laptop.txt", "\n".join((interface("192.168.7.77"), route("192.168.7.1"), PING_OK, DIG, TIMEOUT)), ETHERNET, "firewall-blocks-port"),
    (
        "laptop.txt",
        "\n".join(
            (
                interface("192.168.7.77"), route("192.168.7.1"),
                PING_OK.replace("192.168.7.1 ", "203.0.113.77 ").replace("(192.168.7.1)", "(203.0.113.77)"),
                NAMES_FAIL,
            )
        ),
        ETHERNET, "name-server-down",
    ),
    ("laptop.txt", "\n".join((interface("192.168.7.77"), DIG, REFUSED_CERT)), TLS, "server-certificate-expired"),
    ("laptop.txt", UPGRADE.replace("101 Switching Protocols", "401 Unauthorized"), ETHERNET, "unit-password-wrong"),
    ("laptop.txt", UPGRADE.replace("101 Switching Protocols", "403 Forbidden"), ETHERNET, "unit-identity-blocked"),
    ("laptop.txt", UPGRADE.replace("< Sec-WebSocket-Protocol: ocpp1.6\n", ""), ETHERNET, "protocol-version-differs"),
    (
        "laptop.txt",
        UPGRADE.replace("101 Switching Protocols", "302 Found\n< Location: http://welcome.hotspot.example/"),
        ETHERNET, "sign-in-page-in-the-way",
    ),
    ("on station.txt", interface("192.168.7.20") + "\n" + route("192.168.8.1"), FIXED, "mask-or-gateway-wrong"),
    ("station.txt", "HTTP/1.1 401 Unauthorized\nContent-Length: 0\n", ETHERNET, "unit-password-wrong"),
]


@pytest.mark.parametrize(("name", "text", "uplink", "fault"), CASES, ids=[c[3] + " " + c[0] for c in CASES])
def test_the_true_fault_comes_first(name: str, text: str, uplink: str, fault: str) -> None:
    report = read(text, name, uplink)
    assert first(report, uplink) == fault, report.taken


def test_unknown_identity() -> None:
    report = read(UPGRADE.replace("101 Switching Protocols", "404 Not Found"))
    assert answers(report)["handshake-record"] == "unknown-404"
    assert first(report) in ("unit-identity-unknown", "site-not-registered", "unit-identity-mistyped")


def test_no_link_and_pretty_json() -> None:
    report = read("[ {" + json.dumps(json.loads(interface("", up=False)), indent=4)[7:], "laptop at switch.txt")
    assert answers(report) == {"laptop-at-switch": "no-link"}
    assert report.not_understood == 0


def test_a_failed_neighbour_closes_the_way() -> None:
    text = "\n".join((interface("192.168.7.77"), route("192.168.7.1"), json.dumps([{"dst": "192.168.7.1", "dev": "eth0", "state": ["FAILED"]}])))
    assert answers(read(text))["laptop-at-station"] == "no-way-out"


def test_a_way_out_without_a_gateway_is_one() -> None:
    """As into a modem or a tunnel."""
    direct = json.dumps([{"dst": "default", "dev": "wwan0", "scope": "link", "flags": []}, {"dst": "10.64.0.0/30", "dev": "wwan0", "scope": "link"}])
    for name, check in (("laptop.txt", "laptop-at-station"), ("station.txt", "connect-step")):
        report = read("\n".join((interface("10.64.0.2", 30), direct, UPGRADE)), name)
        assert answers(report)[check] == "gets-through"
        assert (report.figures["stops_at"], report.figures["steps"]["gateway"]) == (None, "reached")
        alone = read("\n".join((interface("10.64.0.2", 30), direct)), name, FIXED)
        assert check not in answers(alone)
        assert alone.figures["steps"]["gateway"] == "not seen"
    several = json.dumps([{"dst": "default", "nexthops": [{"gateway": "192.168.7.1", "dev": "eth0", "weight": 1}, {"dev": "wwan0", "weight": 1}]}])
    assert read("\n".join((interface("192.168.7.77"), several))).figures["gateways"] == ["192.168.7.1"]
    for closed in ([{"dst": "192.168.7.0/24", "dev": "eth0"}], [{"type": "unreachable", "dst": "default", "dev": "lo", "metric": 4278198272}]):
        assert answers(read("\n".join((interface("192.168.7.77"), json.dumps(closed)))))["laptop-at-station"] == "no-way-out", closed


def test_a_barred_name_and_a_certificate_that_lies_ahead() -> None:
    for address in ("0.0.0.0", "127.0.0.1", "169.254.9.9"):
        report = read(DIG.replace("203.0.113.9", address))
        assert answers(report)["name-lookup"] == "other-address", address
    assert first(report) == "name-server-down"
    assert answers(read("localhost has address 127.0.0.1\n"))["name-lookup"] == "resolves"
    ahead = REFUSED_CERT.replace("certificate has expired", "certificate is not yet valid")
    report = read("\n".join((interface("192.168.7.77"), DIG, ahead)), "laptop.txt", TLS)
    assert answers(report)["tls-look"] == "not-yet-valid"
    assert first(report, TLS) == "server-certificate-not-begun"
    station = read(ahead, "station.txt", TLS)
    assert answers(station)["station-tls-error"] == "not-yet-valid"
    assert first(station, TLS, [("time-lookup", "uplink 1", "answers")]) == "station-clock-lost"


def test_other_printers_of_the_same_facts() -> None:
    report = read(WINDOWS)
    assert report.not_understood == 0, report.samples
    assert answers(report) == {"laptop-at-station": "loses-packets", "round-trip": "31 ms"}
    for text, found in (
        ("u@desk:~$ getent hosts office.example\n203.0.113.9        office.example\nu@desk:~$ \n", "resolves"),
        ("u@desk:~$ getent hosts office.example\nu@desk:~$ exit\n", "fails"),
        ("office.example has address 203.0.113.9\n", "resolves"),
        ("Host office.example not found: 3(NXDOMAIN)\n", "fails"),
        (
            (
                "Server:\t\t192.168.7.53\nAddress:\t192.168.7.53#53\n\nNon-authoritative answer:\n"
                "Name:\toffice.example\nAddress: 203.0.113.9\n"
            ),
            "resolves",
        ),
        ("** server can't find office.example: NXDOMAIN\n", "fails"),
        ("* Could not resolve host: office.example\n", "fails"),
        ("ping: office.example: Temporary failure in name resolution\n", "fails"),
        (DIG.replace("NOERROR", "NXDOMAIN").replace("office.example.\t\t300\tIN\tA\t203.0.113.9", ""), "fails"),
    ):
        assert answers(read(text))["name-lookup"] == found, text


def test_losses_on_the_way_to_the_station() -> None:
    text = (
        "PING 192.168.7.20 (192.168.7.20) 56(84) bytes of data.\n--- 192.168.7.20 ping statistics ---\n"
        "200 packets transmitted, 188 received, 6% packet loss, time 1ms\n"
    )
    assert answers(read(text, "laptop.txt", FIXED)) == {"station-loss": "6 %"}
    # A handful of pings proves no loss.
    few = text.replace("200", "4").replace("188", "3")
    assert answers(read(few, "laptop.txt", FIXED)) == {}


def test_401_without_credentials_proves_nothing() -> None:
    text = UPGRADE.replace("> Authorization: Basic TEFSQ0g6c2VjcmV0\n", "").replace("101 Switching Protocols", "401 Unauthorized")
    report = read(text)
    assert "handshake-record" not in answers(report)
    assert any("without user and password" in s for s in report.says)


def test_nothing_is_dropped_in_silence() -> None:
    report = read("hello\n[1, 2]\n" + "[" * 5000 + "\n\x1b[2Jboo\n")
    assert report.understood == 0
    assert report.not_understood == 4
    report = read("x" * 2_000_000 + "\n")
    assert any("not looked at" in s for s in report.says)


def test_recognised_and_not_mixed_up() -> None:
    for text in (interface("192.168.7.20"), PING_OK, DIG, UPGRADE, WINDOWS, TIMEOUT):
        assert recognise(text.encode(), "x.txt")[0][1].kind == "ip-output", text
    for other in (b'[2,"1","Heartbeat",{}]\n', b"+CSQ: 18,0\n+CPIN: READY\n", b"install-record: 1\n", bytes(range(256)) * 4):
        assert all(i.kind != "ip-output" for _, i in recognise(other, "x.txt"))


def test_the_page_tells_the_truth() -> None:
    page = (Path(__file__).parents[2] / "docs/evidence/ip-output.md").read_text(encoding="utf-8")
    sample, table = re.findall(r"```text\n(.*?)```", page, re.S)
    report = read(sample, "laptop-evening.txt")
    shown = [f"{t.check:<20}{t.at:<10}{t.answer:<14}{t.lines}".rstrip() for t in report.taken]
    assert table.strip().split("\n") == shown
    assert set(re.findall(r"^\| `(\w+)`", page, re.M)) == set(report.figures)


def test_damaged_output_does_no_harm() -> None:
    good = [text.encode() for _, text, _, _ in CASES] + [WINDOWS.encode()]
    assert torture(read_ip_output, "laptop.txt", good, 1250, 62) == 1250


def test_no_text_makes_it_search_for_ever() -> None:
    assert patience(read_ip_output) < 2
