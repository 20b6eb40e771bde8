"""A network capture (pcap, pcapng) as evidence: Modbus TCP and the exchange that gives an address."""

from __future__ import annotations

from collections import Counter
from typing import IO, Any

from diagnose.evidence.lines import where
from diagnose.evidence.network.packets.capture_file import (
    PCAP_MAGIC,
    PCAPNG_MAGIC,
    Damaged,
    frames,
    library,
    packet,
)
from diagnose.evidence.network.packets.dhcp_exchange import Client, Exchange
from diagnose.evidence.network.packets.modbus_flow import (
    PORT,
    Modbus,
    Talk,
    exception_text,
    exception_word,
    middle,
)
from diagnose.evidence.polls import FEWEST_POLLS, POLLS_FOR_SHARE, SILENT
from diagnose.evidence.reader import Asked, EvidenceError, reader
from diagnose.evidence.report import Report, TakenReading
from diagnose.evidence.standpoint import Standpoint, standpoint
from diagnose.evidence.tally import Tally
from diagnose.physics import ip
from diagnose.site.model import Site
from diagnose.site.places import Place, ranges
from diagnose.source.problems import one_line

KIND, TITLE = "packets", "network capture (pcap, pcapng): Modbus TCP and DHCP"
FEWEST_ROUNDS = 5
"""Rounds for a cycle time (common practice, no source)."""


def _recognise(head: bytes, name: str) -> float:
    """By the magic number."""
    return 1.0 if head[:4] in PCAP_MAGIC or head[:4] == PCAPNG_MAGIC else 0.0


@reader(KIND, TITLE, _recognise, ("unit", "uplink"))
def read_packets(stream: IO[bytes], asked: Asked) -> Report:
    """Read a capture. Figures: see docs/evidence/packets.md. Raises EvidenceError for what is no capture."""
    site = asked.site
    dpkt, tally = library(), Tally()
    modbus, exchange = Modbus(tally), Exchange(tally, dpkt)
    seen: Counter[str] = Counter()
    begin = end = 0.0
    broken = ""
    try:
        for frame in frames(stream):
            seen["frames"] += 1
            time = frame.time if frame.time is not None else end
            begin, end = begin or time, max(end, time)
            p = packet(frame, dpkt)
            if p is None:
                tally.missed(f"frame {frame.number}", f"link type {frame.link}: {frame.data[:16].hex(' ')}")
            elif p.kind == "arp":
                exchange.arp(p, frame.number)
            elif not (p.kind == "tcp" and modbus.take(p, frame.number, time)) and not (
                p.kind == "udp" and exchange.take(p, frame.number, time)
            ):
                seen["others"] += 1
    except Damaged as error:
        if not seen["frames"]:
            raise EvidenceError(f"the capture cannot be read: {error}; take it again") from None
        broken = f"after frame {seen['frames']}: {error}"
        tally.missed(f"frame {seen['frames'] + 1}", str(error))
    modbus.finish()
    stand = standpoint(site, asked.name, at=asked.at)
    taken, notes = _modbus(modbus, site, stand)
    more, remarks = _addresses(exchange, site, stand, end)
    says = [*notes, *remarks, *((stand.note,) if stand.note and more else ()), *_notes(modbus, seen, broken)]
    return Report(
        KIND, TITLE, tuple(one_line(s) for s in says), (*taken, *more), _figures(modbus, exchange, seen, end - begin, end),
        tally.understood, tally.not_understood, tuple(tally.samples),
    )  # fmt: skip


def _notes(modbus: Modbus, seen: Counter[str], broken: str) -> list[str]:
    notes = [f"{seen['others']} of {seen['frames']} frames are neither Modbus TCP nor DHCP nor ARP"] if seen["others"] else []
    if broken:
        notes.append(f"the capture is damaged {broken}")
    if modbus.gaps:
        notes.append(f"{modbus.gaps} gaps: segments are missing in the capture itself")
    if modbus.unasked:
        notes.append(f"{modbus.unasked} replies to no request in the capture")
    if modbus.not_kept:
        notes.append("more servers and units than are kept apart")
    return notes


# ---- Modbus TCP
def _units(modbus: Modbus, site: Site | None) -> dict[tuple[str, int], int]:
    """Which unit of the site each unit identifier is, where that is plain."""
    servers = {server for server, _ in modbus.talks}
    found: dict[tuple[str, int], int] = {}
    for server, number in modbus.talks:
        if site is None:
            if 1 <= number <= 247 and len(servers) == 1:
                found[server, number] = number
            continue
        own = next((g for g in site.uplinks if site.word("uplink.address", Place("uplink", g.number)) == server), None)
        if number in (0, 255) or len(servers) > 1:
            # The identifier means nothing without a serial trunk behind, and little with several servers.
            if own is not None and (number in (0, 255) or len(own.units) <= 1):
                found[server, number] = own.unit
            continue
        by_address = [u for u in site.units if site.number("unit.address", Place("unit", u)) == number]
        if len(by_address) == 1:
            found[server, number] = by_address[0]
        elif not by_address and number in site.units and site.number("unit.address", Place("unit", number)) is None:
            found[server, number] = number
    return found


def _modbus(modbus: Modbus, site: Site | None, stand: Standpoint) -> tuple[list[TakenReading], list[str]]:
    units = _units(modbus, site)
    answers: dict[tuple[str, str], list[tuple[int, Talk]]] = {}
    notes = []
    for key in sorted(modbus.talks):
        talk = modbus.talks[key]
        says = _said(talk)
        if says:
            notes.append(f"server {key[0]}, unit {key[1]}: {says}")
        if key not in units:
            continue
        for check, answer in _answers(talk):
            answers.setdefault((check, answer), []).append((units[key], talk))
    taken = [_grouped(check, answer, rows) for (check, answer), rows in answers.items()]
    strangers = sorted(set(modbus.talks) - set(units))
    if strangers:
        shown = ", ".join(f"{s} unit {n}" for s, n in strangers[:5])
        notes.append(f"not on the record, so nothing is taken for them: {shown}" + (" and more" if len(strangers) > 5 else ""))
    for table, how in ((modbus.refused, "refuses the connection: service off, or port blocked"),
                       (modbus.unanswered_calls, "does not answer the call: address, route, or port blocked")):  # fmt: skip
        notes += [f"server {s} {how} ({where(f, 'frame')})" for s, f in sorted(table.items())[:5]]
    return [*taken, *_cycle(modbus, units, site), *_gateway(modbus, site)], notes[:40]


def _gateway(modbus: Modbus, site: Site | None) -> list[TakenReading]:
    """The gateway to the only trunk takes no connection; nothing where several servers may be it, or where it takes some."""
    servers = modbus.servers | set(modbus.refused) | set(modbus.unanswered_calls)
    if site is None or len(site.trunks) != 1 or len(servers) != 1:
        return []
    server, at = next(iter(servers)), f"trunk {site.trunks[0].number}"
    if any(t.replies for (s, _), t in modbus.talks.items() if s == server):
        return []
    for table, word in ((modbus.refused, "refused"), (modbus.unanswered_calls, "no-answer")):
        if server in table:
            return [TakenReading("gateway-port", at, word, f"{server}, port {PORT}: {word.replace('-', ' ')}", where(table[server], "frame"))]
    return []


def _answers(talk: Talk) -> list[tuple[str, str]]:
    """What is taken for a unit."""
    rows = []
    word = exception_word(talk.exceptions)
    if word and (word != "none" or talk.replies >= FEWEST_POLLS):
        rows.append(("exception-codes", word))
    polls = talk.polls
    if talk.settled >= POLLS_FOR_SHARE:
        rows.append(("poll-error-rate", f"{100 * polls.share:.3g} %"))
    if talk.settled >= (FEWEST_POLLS if polls.answers == SILENT else POLLS_FOR_SHARE):
        rows.append(("unit-answers", polls.answers))
    return rows


def _grouped(check: str, answer: str, rows: list[tuple[int, Talk]]) -> TakenReading:
    numbers = sorted(n for n, _ in rows)
    talks = [t for _, t in rows]
    codes: Counter[int] = sum((t.exceptions for t in talks), Counter())
    requests, failed = sum(t.settled for t in talks), sum(t.polls.failed for t in talks)
    because = f"{requests} requests, {failed} without data"
    if codes:
        because += f"; exceptions {exception_text(codes)}"
    marks = [f for t in talks for f in (*t.exception_frames, *t.silent_frames)]
    at = f"unit {numbers[0]}" if len(numbers) == 1 else f"units {ranges(numbers)}"
    return TakenReading(check, at, answer, because, where(marks or [f for t in talks for f in (t.first, t.last) if f], "frame"))


def _cycle(modbus: Modbus, units: dict[tuple[str, int], int], site: Site | None) -> list[TakenReading]:
    """The time of a round over a trunk: how often the same question comes back to the same unit."""
    if site is None:
        return []
    by_trunk: dict[int, list[Talk]] = {}
    for key, unit in units.items():
        trunk = site.trunk_of(Place("unit", unit))
        if trunk is not None and len(modbus.talks[key].rounds_s) >= FEWEST_ROUNDS:
            by_trunk.setdefault(trunk.number, []).append(modbus.talks[key])
    taken = []
    for number, talks in sorted(by_trunk.items()):
        seconds = max(m for t in talks if (m := middle(t.rounds_s)) is not None)
        if seconds > 0:
            why = f"the same question comes back after {seconds:.3g} s"
            taken.append(TakenReading("poll-cycle", f"trunk {number}", f"{seconds:.3g} s", why, where([f for t in talks for f in (t.first, t.last)], "frame")))
    return taken


def _said(talk: Talk) -> str:
    if not talk.exceptions and not talk.unanswered:
        return ""
    parts = [f"{talk.unanswered} of {talk.requests} requests without an answer"] if talk.unanswered else []
    if talk.exceptions:
        parts.append(f"exceptions {exception_text(talk.exceptions)}")
    return "; ".join(parts)


# ---- addresses
def _client(exchange: Exchange, site: Site | None, stand: Standpoint) -> tuple[str, Client] | None:
    """The station among the clients: by its recorded address or identity, else the only one."""
    address = site.word("uplink.address", stand.uplink_place) if site else None
    identity = site.word("uplink.identity", stand.uplink_place) if site else None
    for mac, c in exchange.clients.items():
        if (address and c.lease and c.lease.address == address) or (identity and c.name and identity.lower() == c.name.lower()):
            return mac, c
    return next(iter(exchange.clients.items())) if len(exchange.clients) == 1 else None


def _addresses(exchange: Exchange, site: Site | None, stand: Standpoint, end: float) -> tuple[list[TakenReading], list[str]]:
    taken, notes = [], []
    chosen = _client(exchange, site, stand)
    if exchange.clients and chosen is None:
        macs = ", ".join(sorted(exchange.clients)[:6])
        notes.append(f"{len(exchange.clients)} devices ask for an address ({macs}); which one the station is cannot be told, so nothing is taken")
    own = site.word("uplink.address", stand.uplink_place) if site else None
    if chosen is not None:
        mac, c = chosen
        word, why = exchange.outcome(c, end)
        lines = where([c.first, c.last], "frame")
        if word:
            taken.append(TakenReading("dhcp-record", stand.uplink, word, f"{mac}: {why}", lines))
        else:
            notes.append(f"{mac}: {why}")
        if c.lease is not None:
            own = c.lease.address
            if c.lease.lease_s:
                renew, rebind = ip.lease_times_s(c.lease.lease_s)
                notes.append(f"lease {c.lease.lease_s} s: renewed at {renew:g} s, at the latest {rebind:g} s")
            taken += _fits(c, site, stand)
        elif mac in exchange.self_assigned:
            address, frame = exchange.self_assigned[mac]
            taken.append(TakenReading("network-address-shown", stand.uplink, "self-assigned", f"{mac} uses {address}", where([frame], "frame")))
    disputed = {a: h for a, h in exchange.owners.items() if len(h) > 1}
    for address, holders in sorted(disputed.items())[:5]:
        notes.append(f"{address} is used by {' and '.join(sorted(holders))}")
    mine = disputed.get(own or "") or (next(iter(disputed.values())) if len(disputed) == 1 and not own else None)
    if mine:
        taken.append(TakenReading("address-owner", stand.uplink, "two", f"used by {' and '.join(sorted(mine))}", where(mine.values(), "frame")))
    return taken, notes


def _fits(c: Client, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    """The given address against the recorded one, where there is one."""
    address = site.word("uplink.address", stand.uplink_place) if site else None
    mask = site.word("uplink.mask", stand.uplink_place) if site else None
    if c.lease is None or not address or not mask:
        return []
    try:
        fits = ip.same_subnet(address, mask, c.lease.address)
    except ValueError:
        return []
    why = f"given {c.lease.address}; the record has {address}"
    return [TakenReading("network-address-shown", stand.uplink, "fits" if fits else "other-network", one_line(why), where([c.lease.frame], "frame"))]


def _figures(modbus: Modbus, exchange: Exchange, seen: Counter[str], seconds: float, end: float) -> dict[str, Any]:
    units = []
    for (server, unit), t in sorted(modbus.talks.items())[:300]:
        delay, rounds = middle(t.delays_s), middle(t.rounds_s)
        units.append({
            "server": server, "unit": unit, "requests": t.requests, "replies": t.replies, "unanswered": t.unanswered,
            "exceptions": {f"{c:02X}": n for c, n in sorted(t.exceptions.items())},
            "delay_ms": None if delay is None else round(1000 * delay, 3),
            "longest_delay_ms": round(1000 * max(t.delays_s), 3) if t.delays_s else None,
            "round_s": None if rounds is None else round(rounds, 4),
        })  # fmt: skip
    clients = []
    for mac, c in sorted(exchange.clients.items())[:100]:
        lease = c.lease
        clients.append({
            "client": mac, "name": c.name or None, "messages": dict(sorted(c.counts.items())), "servers": sorted(c.servers),
            "address": lease.address if lease else None, "mask": (lease.mask or None) if lease else None,
            "gateway": (lease.gateway or None) if lease else None, "lease_s": lease.lease_s if lease else None,
            "outcome": exchange.outcome(c, end)[0] or None,
        })  # fmt: skip
    return {
        "frames": seen["frames"], "others": seen["others"], "seconds": round(seconds, 3), "modbus": units, "dhcp": clients,
        "refused": sorted(modbus.refused), "unanswered_calls": sorted(modbus.unanswered_calls),
    }  # fmt: skip
