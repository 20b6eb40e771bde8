"""Readings of a network capture."""

from __future__ import annotations

from collections import Counter

from diagnose.evidence.lines import where
from diagnose.evidence.network.packets.dhcp_exchange import Client, Exchange
from diagnose.evidence.network.packets.find import station_client, units_of
from diagnose.evidence.network.packets.modbus_flow import (
    PORT,
    Modbus,
    Talk,
    exception_text,
    exception_word,
    middle,
)
from diagnose.evidence.network.packets.say import talk_text
from diagnose.evidence.polls import FEWEST_POLLS, POLLS_FOR_SHARE, SILENT
from diagnose.evidence.report import TakenReading
from diagnose.evidence.standpoint import Standpoint
from diagnose.physics import ip
from diagnose.site.model import Site
from diagnose.site.places import Place, ranges
from diagnose.source.problems import one_line

FEWEST_ROUNDS = 5
"""Rounds for a cycle time (common practice, no source)."""


def modbus_readings(modbus: Modbus, site: Site | None, stand: Standpoint) -> tuple[list[TakenReading], list[str]]:
    units = units_of(modbus, site)
    answers: dict[tuple[str, str], list[tuple[int, Talk]]] = {}
    notes = []
    for key in sorted(modbus.talks):
        talk = modbus.talks[key]
        says = talk_text(talk)
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
            taken.append(
                TakenReading(
                    "poll-cycle", f"trunk {number}", f"{seconds:.3g} s", why,
                    where([f for t in talks for f in (t.first, t.last)], "frame"),
                )
            )
    return taken


def address_readings(exchange: Exchange, site: Site | None, stand: Standpoint, end: float) -> tuple[list[TakenReading], list[str]]:
    taken, notes = [], []
    chosen = station_client(exchange, site, stand)
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
