"""Captures made by another, general packet library: read whole, and the true fault comes first."""

from __future__ import annotations

import io
import re
import struct
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from scapy.contrib import modbus as mb
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.l2 import ARP, CookedLinux, Dot1Q, Ether
from scapy.packet import Raw
from scapy.utils import wrpcap, wrpcapng

from diagnose.evidence.network.packets.reader import read_packets
from diagnose.evidence.reader import Asked, EvidenceError, recognise
from diagnose.evidence.report import Report
from tests.evidence.network_help import ETHERNET, FIXED, answers, first, harmless, site, torture

STATION, GATEWAY, STRANGER = "02:00:00:00:00:20", "02:00:00:00:00:01", "02:00:00:00:00:66"
MASTER, SERVER = "192.168.7.5", "192.168.7.20"


def capture(packets: Iterable[Any], ng: bool = False, **more: Any) -> bytes:
    """The packets as a file."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "x"
        (wrpcapng if ng else wrpcap)(str(path), list(packets), **more)
        return path.read_bytes()


def read(data: bytes, uplink: str = ETHERNET, name: str = "morning.pcap") -> Report:
    report = read_packets(io.BytesIO(data), Asked(name, site(uplink)))
    harmless(report)
    return report


class Wire:
    """A Modbus TCP conversation, packet by packet."""

    def __init__(self, server: str = SERVER, start: float = 1_900_000_000.0) -> None:
        self.packets: list[Any] = []
        self.time = start
        self.server = server
        self.sequence = {True: 1000, False: 5000}
        self.tag = 0
        self._put(True, "S")
        self._put(False, "SA")
        self._put(True, "A")

    def _put(self, asks: bool, flags: str, load: bytes = b"") -> None:
        ends = (MASTER, self.server) if asks else (self.server, MASTER)
        ports = {"sport": 40000, "dport": 502} if asks else {"sport": 502, "dport": 40000}
        layer = Ether(src=GATEWAY, dst=STATION) / IP(src=ends[0], dst=ends[1])
        packet = layer / TCP(flags=flags, seq=self.sequence[asks], ack=self.sequence[not asks], **ports)
        packet = packet / Raw(load) if load else packet
        packet.time = self.time
        self.sequence[asks] += len(load) + (1 if "S" in flags else 0)
        self.packets.append(packet)

    def ask(self, unit: int, reply: Any, after: float = 0.02, address: int = 0, count: int = 10) -> None:
        """A read of holding registers, and what comes back (None: nothing)."""
        self.tag = self.tag % 65535 + 1
        request = mb.ModbusADURequest(transId=self.tag, unitId=unit) / mb.ModbusPDU03ReadHoldingRegistersRequest(startAddr=address, quantity=count)
        self._put(True, "PA", bytes(request))
        self.time += after
        if reply is not None:
            self._put(False, "PA", bytes(mb.ModbusADUResponse(transId=self.tag, unitId=unit) / reply))

    def rounds(self, count: int, units: Iterable[int], replies: dict[int, Any], gap: float = 10.0) -> Wire:
        """So many rounds over the units; a unit that is not in `replies` answers properly."""
        good = mb.ModbusPDU03ReadHoldingRegistersResponse(registerVal=list(range(10)))
        for _ in range(count):
            begin = self.time
            for unit in units:
                reply = replies.get(unit, good)
                self.ask(unit, reply, 0.02 if reply is not None else 1.0)
            self.time = begin + gap
        return self


def exception(code: int) -> Any:
    return mb.ModbusPDU03ReadHoldingRegistersError(exceptCode=code)


@cache
def polled(code: int, units: tuple[int, ...] = (4,)) -> bytes:
    """Twenty-five rounds over six units; some answer with an exception, 0 stands for silence."""
    return capture(Wire().rounds(25, range(1, 7), {u: exception(code) if code else None for u in units}).packets)


def test_a_healthy_trunk_is_read_whole() -> None:
    wire = Wire().rounds(25, range(1, 7), {})
    report = read(capture(wire.packets))
    assert (report.understood, report.not_understood) == (25 * 6 * 2, 0)
    assert answers(report) == {"exception-codes": "none", "poll-error-rate": "0 %", "unit-answers": "answers", "poll-cycle": "10 s"}
    assert {t.at for t in report.taken} == {"units 1-6", "trunk 1"}
    assert [(m["unit"], m["requests"], m["replies"], m["unanswered"]) for m in report.figures["modbus"]] == [(u, 25, 25, 0) for u in range(1, 7)]
    assert all(m["delay_ms"] == pytest.approx(20, abs=0.1) for m in report.figures["modbus"])


@pytest.mark.parametrize(
    ("code", "units", "fault"),
    [
        (6, (4,), "unit-busy"),
        (2, (1, 2, 3, 4, 5, 6), "unsupported-request"),
        (4, (4,), "unit-reports-own-failure"),
        (0x0A, (1, 2, 3, 4, 5, 6), "gateway-route-wrong"),
    ],
)
def test_the_true_modbus_fault_comes_first(code: int, units: tuple[int, ...], fault: str) -> None:
    report = read(polled(code, units))
    assert report.not_understood == 0
    assert first(report) == fault, report.taken


def test_a_silent_unit_behind_a_gateway() -> None:
    for code in (0, 0x0B):
        report = read(polled(code))
        rows = {(t.check, t.at): t.answer for t in report.taken}
        assert rows["unit-answers", "unit 4"] == "silent"
        assert rows["poll-error-rate", "unit 4"] == "100 %"
        assert rows["unit-answers", "units 1-3, 5-6"] == "answers"
        assert first(report) in ("wrong-address-at-unit", "bus-interface-off-at-unit", "unit-firmware-hung", "wrong-rate-at-unit")
    assert read(polled(0)).figures["modbus"][3]["unanswered"] == 25


def test_every_exception_code_has_a_word() -> None:
    exact = [capture(Wire().rounds(4, (4,), {4: exception(c)}).packets) for c in (1, 2, 3, 4, 5, 6, 0x0A, 0x0B)]
    words = {
        1: "illegal-request", 2: "illegal-request", 3: "illegal-request", 4: "device-failure", 5: "busy",
        6: "busy", 0x0A: "gateway-path", 0x0B: "target-silent",
    }
    for (code, word), data in zip(words.items(), exact, strict=True):
        report = read(data)
        assert {t.answer for t in report.taken if t.check == "exception-codes" and t.at == "unit 4"} == {word}
        assert report.figures["modbus"][0]["exceptions"] == {f"{code:02X}": 4}


def test_streams_are_put_together() -> None:
    """Two requests in one segment, a reply cut in pieces, segments exchanged and sent twice."""
    packets = Wire().rounds(20, (1, 2), {}).packets
    torn: list[Any] = []
    for n, packet in enumerate(packets):
        load = bytes(packet[Raw].load) if Raw in packet else b""
        if n % 4 == 0 and len(load) > 9:
            front, back = packet.copy(), packet.copy()
            front[Raw].load, back[Raw].load = load[:9], load[9:]
            back[TCP].seq += 9
            for part in (front, back):
                part[IP].len = None
                part[IP].chksum = part[TCP].chksum = None
                part.time = packet.time
            torn += [back, front, front]
        else:
            torn.append(packet)
    report = read(capture(torn))
    assert (report.understood, report.not_understood) == (80, 0)
    assert sum(m["replies"] for m in report.figures["modbus"]) == 40


def test_other_containers_and_links_say_the_same() -> None:
    packets = Wire().rounds(20, range(3, 5), {4: exception(6)}).packets
    want = read(capture(packets))
    tagged = [Ether(src=GATEWAY, dst=STATION) / Dot1Q(vlan=7) / p[IP] for p in packets]
    cooked = [CookedLinux(src=bytes.fromhex("020000000001"), lladdrlen=6, proto=0x800) / p[IP] for p in packets]
    for other in (tagged, cooked):
        for p, original in zip(other, packets, strict=True):
            p.time = original.time
    raw = [p[IP] for p in packets]
    for p, original in zip(raw, packets, strict=True):
        p.time = original.time
    for data in (
        capture(packets, ng=True), capture(packets, nano=True), capture(packets, endianness=">"),
        capture(tagged), capture(cooked, linktype=113), capture(raw, linktype=101),
    ):
        report = read(data)
        assert report.taken == want.taken
        assert report.not_understood == 0


def test_several_interfaces_in_one_capture() -> None:
    """The second interface counts nanoseconds and hands over bare IP."""
    packets = Wire().rounds(25, (1,), {}).packets
    ng = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    ng += struct.pack("<IIHHII", 1, 20, 1, 0, 65535, 20)
    ng += struct.pack("<IIHHIHHB3xI", 1, 28, 101, 0, 65535, 9, 1, 9, 28)
    for n, p in enumerate(packets):
        data = bytes(p) if n % 2 else bytes(p[IP])
        ticks = int(float(p.time) * (1e6 if n % 2 else 1e9))
        pad = -len(data) % 4
        size = 32 + len(data) + pad
        ng += struct.pack("<IIIIIII", 6, size, 0 if n % 2 else 1, ticks >> 32, ticks & 0xFFFFFFFF, len(data), len(data))
        ng += data + b"\0" * pad + struct.pack("<I", size)
    report = read(ng)
    assert report.figures["modbus"][0]["replies"] == 25
    assert report.figures["modbus"][0]["round_s"] == pytest.approx(10, abs=0.001)


def test_calls_that_are_refused_or_not_answered() -> None:
    call = Ether() / IP(src=MASTER, dst=SERVER) / TCP(sport=40000, dport=502, flags="S", seq=1)
    no = Ether() / IP(src=SERVER, dst=MASTER) / TCP(sport=502, dport=40000, flags="RA", ack=2)
    assert read(capture([call, no])).figures["refused"] == [SERVER]
    report = read(capture([call, call, call]))
    assert report.figures["unanswered_calls"] == [SERVER]
    assert any("does not answer the call" in s for s in report.says)
    assert first(read(capture([call, no]))) == "gateway-service-off"
    assert answers(read(capture([call, no]))) == {"gateway-port": "refused"}
    assert first(report) == "gateway-off-network"
    assert {(t.at, t.answer) for t in report.taken} == {("trunk 1", "no-answer")}


# ---- addresses
def dhcp(kind: str, time: float, server: str = "192.168.7.1", mac: str = STATION, address: str = "192.168.7.20", **more: Any) -> Any:
    """One message of an address exchange."""
    raw = bytes.fromhex(mac.replace(":", ""))
    from_server = kind in ("offer", "ack", "nak")
    options: list[Any] = [("message-type", kind), *more.pop("options", [])]
    if from_server:
        options += [("server_id", server)]
    if kind in ("offer", "ack"):
        options += [("lease_time", more.pop("lease", 3600)), ("subnet_mask", "255.255.255.0"), ("router", server)]
    ends = {"src": server, "dst": "255.255.255.255"} if from_server else {"src": more.get("ciaddr", "0.0.0.0"), "dst": "255.255.255.255"}
    ports = {"sport": 67, "dport": 68} if from_server else {"sport": 68, "dport": 67}
    p = (
        Ether(src=GATEWAY if from_server else mac, dst="ff:ff:ff:ff:ff:ff") / IP(**ends) / UDP(**ports)
        / BOOTP(op=2 if from_server else 1, chaddr=raw, xid=77, yiaddr=address if kind in ("offer", "ack") else "0.0.0.0", **more)
        / DHCP(options=[*options, "end"])
    )  # fmt: skip
    p.time = 1_900_000_000.0 + time
    return p


def late(packet: Any, time: float) -> Any:
    packet.time = 1_900_000_000.0 + time
    return packet


GIVEN = [dhcp("discover", 0), dhcp("offer", 0.1), dhcp("request", 0.2), dhcp("ack", 0.3)]
HELLO = Ether(src=STATION, dst="ff:ff:ff:ff:ff:ff") / ARP(op=1, hwsrc=STATION, psrc="192.168.7.20", pdst="192.168.7.1")


@cache
def exchange(word: str) -> bytes:
    """A capture in which the address service does what the word says."""
    shows = {
        "lease-given": [*GIVEN, dhcp("request", 1800, ciaddr="192.168.7.20"), dhcp("ack", 1800.1)],
        "server-off-or-full": [dhcp("discover", t) for t in (0, 4, 12, 28)],
        "refused": [
            dhcp("discover", 0), dhcp("offer", 0.1), dhcp("request", 0.2),
            dhcp("nak", 0.3, options=[("error_message", "pool is full\x1b[2J")]),
        ],
        "second-server": [
            dhcp("discover", 0), dhcp("offer", 0.1),
            dhcp("offer", 0.2, server="10.9.9.1", address="10.9.9.40"), dhcp("request", 0.3),
            dhcp("ack", 0.4),
        ],
        "lease-ran-out": [
            *GIVEN, *(dhcp("request", t, ciaddr="192.168.7.20") for t in (1800, 2700, 3150)),
            dhcp("discover", 3601), dhcp("discover", 3605),
        ],
        "conflict": [
            *GIVEN, late(HELLO.copy(), 1),
            late(
                Ether(src=STRANGER) / ARP(
                    op=2, hwsrc=STRANGER, psrc="192.168.7.20", hwdst=GATEWAY, pdst="192.168.7.1"
                ),
                2,
            ),
        ],
        "declined": [*GIVEN, dhcp("decline", 0.5, options=[("requested_addr", "192.168.7.20")])],
    }  # fmt: skip
    return capture(shows[word])


@pytest.mark.parametrize(
    ("word", "check", "answer", "fault"),
    [
        ("server-off-or-full", "dhcp-record", "server-off-or-full", "address-server-silent"),
        ("refused", "dhcp-record", "server-off-or-full", "address-server-silent"),
        ("second-server", "dhcp-record", "second-server", "second-address-server"),
        ("lease-ran-out", "dhcp-record", "lease-ran-out", "lease-not-renewed"),
        ("conflict", "address-owner", "two", "duplicate-network-address"),
        ("declined", "address-owner", "two", "duplicate-network-address"),
    ],
)
def test_the_true_address_fault_comes_first(word: str, check: str, answer: str, fault: str) -> None:
    report = read(exchange(word))
    assert report.not_understood == 0
    assert answers(report)[check] == answer
    assert first(report) == fault, report.taken


def test_a_healthy_exchange_is_read_whole() -> None:
    report = read(exchange("lease-given"))
    assert (report.understood, report.not_understood) == (6, 0)
    assert answers(report) == {"dhcp-record": "lease-given"}
    assert report.figures["dhcp"] == [{
        "client": STATION, "name": None, "messages": {"ack": 2, "discover": 1, "offer": 1, "request": 2}, "servers": ["192.168.7.1"],
        "address": "192.168.7.20", "mask": "255.255.255.0", "gateway": "192.168.7.1", "lease_s": 3600, "outcome": "lease-given",
    }]  # fmt: skip
    assert "lease 3600 s: renewed at 1800 s, at the latest 3150 s" in report.says


def test_self_assigned_and_other_networks_show() -> None:
    own = [dhcp("discover", 0), dhcp("discover", 4), late(Ether(src=STATION) / ARP(hwsrc=STATION, psrc="169.254.9.9", pdst="169.254.9.9"), 9)]
    assert answers(read(capture(own)))["network-address-shown"] == "self-assigned"
    other = [dhcp("discover", 0), dhcp("offer", 0.1, address="10.1.1.9"), dhcp("request", 0.2), dhcp("ack", 0.3, address="10.1.1.9")]
    assert answers(read(capture(other), FIXED))["network-address-shown"] == "other-network"


def test_it_does_not_guess_which_client_the_station_is() -> None:
    two = [*GIVEN, *(dhcp("discover", t, mac=STRANGER) for t in (1, 5, 9))]
    report = read(capture(two))
    assert report.taken == ()
    assert any("cannot be told" in s for s in report.says)
    named = [dhcp("discover", t, mac=STRANGER, options=[("hostname", "larch-1")]) for t in (1, 5, 9)]
    assert answers(read(capture([*GIVEN, *named]))) == {"dhcp-record": "server-off-or-full"}


def test_nothing_is_dropped_in_silence() -> None:
    odd = [
        Ether() / IP(src=MASTER, dst=SERVER) / TCP(
            sport=40000, dport=502, flags="PA", seq=9
        ) / Raw(b"GET / HTTP/1.1\r\n"),
        Ether() / IP() / ICMP(),
    ]
    report = read(capture([*odd, *GIVEN]))
    assert (report.understood, report.not_understood, report.figures["others"]) == (4, 1, 1)
    whole = capture(GIVEN)
    cut = read(whole[:-30])
    assert cut.not_understood >= 1 or cut.understood == 3


def test_what_is_no_capture_is_refused() -> None:
    for data in (b"", b"\x0a\x0d", b"hello there, no capture", bytes.fromhex("d4c3b2a1"), bytes.fromhex("0a0d0d0a") + b"\xff" * 60):
        with pytest.raises(EvidenceError) as caught:
            read_packets(io.BytesIO(data), Asked("x"))
        assert "\n" not in str(caught.value)
    assert recognise(capture(GIVEN)[:200], "x.bin")[0][1].kind == "packets"
    assert all(i.kind != "packets" for _, i in recognise(b'[2,"1","Heartbeat",{}]', "x.pcap"))


def test_a_length_of_gigabytes_is_not_believed() -> None:
    data = bytearray(capture(GIVEN))
    data[32:36] = struct.pack("<I", 0x7FFFFFFF)
    with pytest.raises(EvidenceError):
        read_packets(io.BytesIO(bytes(data)), Asked("x"))


def test_the_page_tells_the_truth() -> None:
    page = (Path(__file__).parents[2] / "docs/evidence/packets.md").read_text(encoding="utf-8")
    (table,) = re.findall(r"```text\n(.*?)```", page, re.S)
    report = read(polled(6))
    shown = [f"{t.check:<18}{t.at:<17}{t.answer:<16}{t.lines}".rstrip() for t in report.taken]
    assert table.strip().split("\n") == shown
    assert set(re.findall(r"^\| `(\w+)`", page, re.M)) == set(report.figures)


def test_damaged_captures_do_no_harm() -> None:
    good = [exchange(w) for w in ("refused", "second-server", "conflict", "lease-ran-out")]
    good += [capture(Wire().rounds(3, (1, 2, 3), {2: exception(6), 3: None}).packets, ng=ng) for ng in (False, True)]
    good += [capture(GIVEN, ng=True)]
    assert torture(read_packets, "x.pcap", good, 1250, 63) > 600
