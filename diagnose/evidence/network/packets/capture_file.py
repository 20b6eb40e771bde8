"""Frames of a network capture, pcap or pcapng, one by one in bounded memory.

The containers and the layers up to UDP and TCP are read by a general packet library (`dpkt`), imported on first
use. It trusts the lengths in a file, so it only gets a stream that refuses absurd ones.
"""

from __future__ import annotations

import importlib
import struct
from collections.abc import Iterator
from types import ModuleType
from typing import IO, Any, NamedTuple

from diagnose.evidence.reader import EvidenceError

LONGEST_BLOCK = 1 << 20
"""No frame or block of a usable capture is longer, bytes."""
PCAP_MAGIC = frozenset(bytes.fromhex(x) for x in ("a1b2c3d4", "d4c3b2a1", "a1b23c4d", "4d3cb2a1"))
PCAPNG_MAGIC = bytes.fromhex("0a0d0d0a")
_ORDERS = {bytes.fromhex("1a2b3c4d"): ">", bytes.fromhex("4d3c2b1a"): "<"}
NULL, ETHERNET, RAW, LOOP, LINUX, LINUX_2 = 0, 1, frozenset({12, 14, 101, 228, 229}), 108, 113, 276


class CapturedFrame(NamedTuple):
    """A frame: number from 1, seconds since 1970 (None: not recorded), link type, bytes, bytes cut off."""

    number: int
    time: float | None
    link: int
    data: bytes
    cut: int


class Damaged(Exception):
    """The container cannot be followed any further; one line."""


class Packet(NamedTuple):
    """What a frame carries. Addresses as text, ports 0 for none; `kind` is arp, udp, tcp or other."""

    kind: str
    source: str
    target: str
    source_port: int
    target_port: int
    source_mac: str
    payload: bytes
    flags: int
    sequence: int
    layer: Any


def library() -> ModuleType:
    """The packet library, or a word on how to get it."""
    try:
        for part in ("ethernet", "ip", "ip6", "arp", "udp", "tcp", "sll", "sll2", "pcap", "pcapng", "dhcp"):
            importlib.import_module(f"dpkt.{part}")
        return importlib.import_module("dpkt")
    except ImportError:
        raise EvidenceError("captures are read with the package dpkt, which is not installed; install diagnose[capture]") from None


class _Guarded:
    """A stream that gives its first bytes again and refuses lengths that no frame has."""

    def __init__(self, stream: IO[bytes], head: bytes) -> None:
        self._stream, self._head = stream, head

    def read(self, size: int = -1) -> bytes:
        if not 0 <= size <= LONGEST_BLOCK:
            raise Damaged(f"a length of {size} bytes stands where a frame's should be")
        data, self._head = self._head[:size], self._head[size:]
        while len(data) < size:
            more = self._stream.read(size - len(data))
            if not more:
                break
            data += more
        return data


def frames(stream: IO[bytes]) -> Iterator[CapturedFrame]:
    """The frames of a capture. Raises EvidenceError for what is no capture, Damaged where it breaks off."""
    head = stream.read(4)
    dpkt = library()
    guarded = _Guarded(stream, head)
    if head in PCAP_MAGIC:
        yield from _pcap(guarded, dpkt)
    elif head == PCAPNG_MAGIC:
        yield from _pcapng(guarded, dpkt)
    else:
        raise EvidenceError("this is no network capture; it must be a pcap or pcapng file")


def _pcap(stream: _Guarded, dpkt: ModuleType) -> Iterator[CapturedFrame]:
    try:
        reader = dpkt.pcap.Reader(stream)
    except (ValueError, dpkt.dpkt.Error, struct.error):
        raise Damaged("the head of the capture is damaged") from None
    link, number = reader.datalink(), 0
    rows = iter(reader)
    while True:
        try:
            row = next(rows, None)
        except (ValueError, dpkt.dpkt.Error, struct.error, ArithmeticError):
            raise Damaged("the capture breaks off inside a frame") from None
        if row is None:
            return
        number += 1
        yield CapturedFrame(number, float(row[0]), link, bytes(row[1]), 0)


class _Interface(NamedTuple):
    link: int
    ticks: float
    offset: float


def _pcapng(stream: _Guarded, dpkt: ModuleType) -> Iterator[CapturedFrame]:
    """Sections and interfaces one after the other: the library's own reader knows one interface only."""
    order, number, interfaces = "<", 0, list[_Interface]()
    while head := stream.read(8):
        if head[:4] == PCAPNG_MAGIC:
            bom = stream.read(4)
            if bom not in _ORDERS:
                raise Damaged("the head of the capture is damaged")
            order, interfaces, head = _ORDERS[bom], [], head + bom
        if len(head) < 8:
            raise Damaged("the capture breaks off inside a block")
        kind, size = struct.unpack(f"{order}II", head[:8])
        if size < 12 or size % 4 or size < len(head) + 4:
            raise Damaged(f"a block says that it has {size} bytes")
        block = head + stream.read(size - len(head))
        if len(block) < size:
            raise Damaged("the capture breaks off inside a block")
        if kind == 1:
            if len(interfaces) >= 4096:
                raise Damaged("more than 4096 interfaces")
            interfaces.append(_interface(block, order, dpkt))
        elif kind in (2, 3, 6):
            number += 1
            frame = _block_frame(number, kind, block, order, interfaces)
            if frame is None:
                raise Damaged(f"frame {number} does not fit its block")
            yield frame


def _interface(block: bytes, order: str, dpkt: ModuleType) -> _Interface:
    name = "InterfaceDescriptionBlockLE" if order == "<" else "InterfaceDescriptionBlock"
    ticks, offset = 1e6, 0.0
    if len(block) < 20:
        raise Damaged("an interface block is too short")
    link = struct.unpack_from(f"{order}H", block, 8)[0]
    try:
        for option in getattr(dpkt.pcapng, name)(block).opts:
            if option.code == 9 and len(option.data) == 1:  # if_tsresol: a power of ten, or of two with the top bit set
                power = option.data[0]
                ticks = float(2 ** (power & 0x7F) if power & 0x80 else 10 ** (power & 0x7F))
            elif option.code == 14 and len(option.data) == 8:  # if_tsoffset, s
                offset = float(struct.unpack(f"{order}q", option.data)[0])
    except (ValueError, IndexError, struct.error, dpkt.dpkt.Error):
        pass  # options are a luxury: without them the times are microseconds
    return _Interface(int(link), ticks, offset)


def _block_frame(number: int, kind: int, block: bytes, order: str, interfaces: list[_Interface]) -> CapturedFrame | None:
    if kind == 3:  # simple packet block: first interface, no time
        if not interfaces or len(block) < 16:
            return None
        length = struct.unpack_from(f"{order}I", block, 8)[0]
        data = block[12 : min(12 + length, len(block) - 4)]
        return CapturedFrame(number, None, interfaces[0].link, data, max(0, length - len(data)))
    if len(block) < 32:
        return None
    if kind == 2:  # obsolete packet block
        which, _, high, low, kept, length = struct.unpack_from(f"{order}HHIIII", block, 8)
    else:
        which, high, low, kept, length = struct.unpack_from(f"{order}IIIII", block, 8)
    if which >= len(interfaces) or 28 + kept > len(block) - 4:
        return None
    own = interfaces[which]
    time = own.offset + ((high << 32) | low) / own.ticks
    return CapturedFrame(number, time, own.link, block[28 : 28 + kept], max(0, length - kept))


def packet(frame: CapturedFrame, dpkt: ModuleType) -> Packet | None:
    """The packet in a frame, or None when it cannot be taken apart."""
    try:
        return _packet(frame, dpkt)
    except Exception:  # the library raises nearly anything over hostile bytes; the frame is counted
        return None


def _packet(frame: CapturedFrame, dpkt: ModuleType) -> Packet | None:
    data, mac = frame.data, ""
    if frame.link == ETHERNET:
        layer = dpkt.ethernet.Ethernet(data)
        mac, inner = mac_text(layer.src), layer.data
    elif frame.link == LINUX:
        inner = dpkt.sll.SLL(data).data
    elif frame.link == LINUX_2:
        inner = dpkt.sll2.SLL2(data).data
    elif frame.link in RAW or frame.link in (NULL, LOOP):
        start = data if frame.link in RAW else data[4:]
        inner = dpkt.ip6.IP6(start) if start[:1] and start[0] >> 4 == 6 else dpkt.ip.IP(start)
    else:
        return None
    if isinstance(inner, dpkt.arp.ARP):
        return Packet(
            kind="arp", source=_v4(inner.spa), target=_v4(inner.tpa), source_port=0, target_port=0,
            source_mac=mac_text(inner.sha), payload=b"", flags=int(inner.op), sequence=0, layer=inner,
        )  # fmt: skip
    if isinstance(inner, dpkt.ip.IP):
        source, target = _v4(inner.src), _v4(inner.dst)
    elif isinstance(inner, dpkt.ip6.IP6):
        source, target = inner.src.hex(":", 2), inner.dst.hex(":", 2)
    else:
        return Packet(
            kind="other", source="", target="", source_port=0, target_port=0, source_mac=mac, payload=b"",
            flags=0, sequence=0, layer=None,
        )  # fmt: skip
    top = inner.data
    if isinstance(top, dpkt.udp.UDP):
        return Packet(
            kind="udp", source=source, target=target, source_port=int(top.sport), target_port=int(top.dport),
            source_mac=mac, payload=bytes(top.data), flags=0, sequence=0, layer=None,
        )  # fmt: skip
    if isinstance(top, dpkt.tcp.TCP):
        return Packet(
            kind="tcp", source=source, target=target, source_port=int(top.sport), target_port=int(top.dport),
            source_mac=mac, payload=bytes(top.data), flags=int(top.flags), sequence=int(top.seq), layer=None,
        )  # fmt: skip
    return Packet(
        kind="other", source=source, target=target, source_port=0, target_port=0, source_mac=mac,
        payload=b"", flags=0, sequence=0, layer=None,
    )  # fmt: skip


def _v4(raw: bytes) -> str:
    return ".".join(str(b) for b in raw)


def mac_text(raw: bytes) -> str:
    """A hardware address as `02:00:00:00:00:01`."""
    return raw[:6].hex(":")
