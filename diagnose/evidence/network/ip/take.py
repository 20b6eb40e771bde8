"""Readings of what network commands printed.

A command run on the station itself tells where the station's own connection stops; the same command on a laptop beside
it tells what the network gives. They answer different checks.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

from diagnose.evidence.lines import where
from diagnose.evidence.network.ip.find import (
    BringUpStep,
    astray,
    bring_up,
    gateway_of,
    is_intercepted,
    is_outside,
    runner_of,
    usable_addresses,
)
from diagnose.evidence.network.ip.output import CommandOutput
from diagnose.evidence.network.ip.say import figures, remarks
from diagnose.evidence.reader import Asked
from diagnose.evidence.report import TakenReading
from diagnose.evidence.standpoint import Standpoint
from diagnose.physics import ip, ocpp
from diagnose.source.problems import one_line

FEWEST_PINGS = 20
"""Pings below which a lost one proves little (common practice, no source)."""
_SWITCH = re.compile(r"switch", re.IGNORECASE)


class Verdict(NamedTuple):
    """What follows from the commands."""

    says: tuple[str, ...]
    taken: tuple[TakenReading, ...]
    figures: dict[str, Any]


def take(f: CommandOutput, asked: Asked, stand: Standpoint) -> Verdict:
    """Answers, remarks and figures. Source: common practice for the order; RFCs as in the module above."""
    site = asked.site
    plan = {key: site.word(f"uplink.{key}", stand.uplink_place) if site else None for key in ("address", "mask", "gateway", "kind")}
    runner, how = runner_of(f, asked, plan["address"])
    steps = bring_up(f, plan)
    stop = next((s for s in ip.BRING_UP if steps.get(s) and steps[s].ok is False), None)
    taken = _station(f, plan, steps, stop, stand) if runner == "station" else _laptop(f, asked, plan, steps, stop, stand)
    taken += _measured(f, plan, runner, stand)
    taken += _handshake(f, stand)
    says = [f"taken as run on {'the station itself' if runner == 'station' else 'a laptop in the station network'} ({how})"]
    if stop:
        says.append(one_line(f"the way to the back office stops at {stop}: {steps[stop].why}"))
    says += remarks(f, plan)
    return Verdict(tuple(says), tuple(taken), figures(f, runner, stop, steps))


def _station(
    f: CommandOutput, plan: dict[str, str | None], steps: dict[str, BringUpStep], stop: str | None, stand: Standpoint
) -> list[TakenReading]:
    at, taken = stand.uplink, []
    shown = _shown(f, plan)
    if shown:
        taken.append(TakenReading("network-address-shown", at, shown[0], shown[1], steps["address"].lines))
    own = next(iter(usable_addresses(f)), None)
    if own and f.gateways:
        faults = ip.address_faults(own.local, str(own.prefix), f.gateways[0][0])
        if faults:
            taken.append(TakenReading("network-settings", at, "mask-or-gateway", faults[0][1], steps["gateway"].lines))
    if f.tls and f.tls[0] not in ("verified", "cut-off"):
        taken.append(TakenReading("station-tls-error", at, f.tls[0], steps["tls"].why, steps["tls"].lines))
    words = {"websocket": "upgrade"}
    last = next((h for h in reversed(f.https) if h.status), None)
    if last is not None and last.status == 101:
        taken.append(TakenReading("connect-step", at, "gets-through", "the upgrade is accepted", steps["websocket"].lines))
    elif stop == "websocket" and last is not None and last.status in (401, 403, 404):
        # That is the back office speaking: the connection itself gets through, and the status is taken for the unit.
        pass
    elif stop:
        taken.append(TakenReading("connect-step", at, f"stops-at-{words.get(stop, stop)}", one_line(steps[stop].why), steps[stop].lines))
    return taken


def _shown(f: CommandOutput, plan: dict[str, str | None]) -> tuple[str, str] | None:
    """What the station's address is, against the record."""
    if not f.has_addresses or not f.addresses:
        return None
    usable = usable_addresses(f)
    if not usable:
        own = next((a for a in f.addresses if a.local), None)
        return ("self-assigned", f"address {own.local}") if own else ("blank", "no address")
    own = usable[0]
    if plan["address"] and plan["mask"]:
        try:
            fits = any(ip.same_subnet(plan["address"], plan["mask"], a.local) for a in usable)
        except ValueError:
            return None
        text = f"address {own.local}; the record has {one_line(plan['address'], 40)}"
        return ("fits", text) if fits else ("other-network", text)
    return ("fits", f"address {own.local}/{own.prefix}")


def _laptop(
    f: CommandOutput, asked: Asked, plan: dict[str, str | None], steps: dict[str, BringUpStep], stop: str | None, stand: Standpoint
) -> list[TakenReading]:
    at, taken = stand.uplink, []
    word = _what_laptop_gets(f, steps, plan)
    if word:
        at_switch = asked.point == "switch" if asked.point else bool(_SWITCH.search(asked.name))
        check = "laptop-at-switch" if at_switch else "laptop-at-station"
        taken.append(TakenReading(check, at, word[0], one_line(word[1]), word[2]))
    names = steps["name"]
    if names.ok is not None:
        word_n = "fails" if not names.ok else "other-address" if astray(f) else "resolves"
        taken.append(TakenReading("name-lookup", at, word_n, names.why, names.lines))
    last = next((h for h in reversed(f.https) if h.status), None)
    port = steps["port"]
    if last is not None and is_intercepted(last):
        text = f"answered {last.status} with the address of another host"
        taken.append(TakenReading("port-connect", at, "intercepted", text, where([last.line, last.last])))
        taken.append(TakenReading("web-page", at, "sign-in-page", text, where([last.line, last.last])))
    elif port.ok is not None:
        word_p = "connects" if port.ok else "refused" if f.port_failure and f.port_failure[0] == "refused" else "no-answer"
        taken.append(TakenReading("port-connect", at, word_p, port.why, port.lines))
    if f.tls:
        word_t = {"verified": "as-planned", "unknown-issuer": "other-issuer"}.get(f.tls[0], f.tls[0])
        if word_t in ("as-planned", "expired", "not-yet-valid", "name-differs", "other-issuer", "cut-off"):
            taken.append(TakenReading("tls-look", at, word_t, steps["tls"].why, steps["tls"].lines))
    if last is not None and not is_intercepted(last):
        if last.status in (101, 401, 404):
            taken.append(TakenReading("websocket-try", at, "answered", f"answered {last.status}", where([last.line, last.last])))
        elif last.upgrade and (last.status in (200, 400, 426) or last.status in (301, 302)):
            text = f"an upgrade was asked for, the answer is {last.status}"
            taken.append(TakenReading("websocket-try", at, "spoiled", text, where([last.line, last.last])))
    elif last is None and port.ok is False:
        taken.append(TakenReading("websocket-try", at, "not-reached", port.why, port.lines))
    return taken


def _what_laptop_gets(f: CommandOutput, steps: dict[str, BringUpStep], plan: dict[str, str | None]) -> tuple[str, str, str] | None:
    for step, word in (("link", "no-link"), ("address", "no-address"), ("gateway", "no-way-out")):
        if steps[step].ok is False:
            return word, steps[step].why, steps[step].lines
    station = plan["address"]
    through = [p for p in f.pings if p.sent >= FEWEST_PINGS and station not in (p.target, p.address) and p.received]
    lossy = next((p for p in through if p.loss >= 1.0), None)
    if lossy:
        return "loses-packets", f"{lossy.loss:.3g} % of {lossy.sent} pings to {lossy.target} lost", where([lossy.line, lossy.last])
    outside = [p for p in f.pings if p.received and is_outside(p.address or p.target)]
    if outside or f.connected or any(h.status for h in f.https):
        return "gets-through", "something outside answers", where([p.line for p in outside])
    return None


def _measured(f: CommandOutput, plan: dict[str, str | None], runner: str, stand: Standpoint) -> list[TakenReading]:
    taken = []
    gateway = gateway_of(f, plan)
    for p in f.pings:
        lines = where([p.line, p.last])
        to_station = bool(plan["address"]) and plan["address"] in (p.target, p.address)
        if to_station and runner == "laptop" and p.sent >= FEWEST_PINGS:
            text = f"{p.sent - p.received} of {p.sent} pings to the station lost"
            taken.append(TakenReading("station-loss", stand.uplink, f"{p.loss:.4g} %", text, lines))
        elif (
            p.average_ms is not None
            and p.received
            and not to_station
            and gateway not in (p.target, p.address)
            and is_outside(p.address or p.target)
        ):
            text = f"{p.received} replies from {p.target}"
            taken.append(TakenReading("round-trip", stand.uplink, f"{p.average_ms:.4g} ms", text, lines))
    last: dict[str, TakenReading] = {}
    for t in taken:
        last[t.check] = t
    return [last[check] for check in sorted(last)]


def _handshake(f: CommandOutput, stand: Standpoint) -> list[TakenReading]:
    """What the back office said to the upgrade. A 401 to a request without credentials proves nothing."""
    h = next((h for h in reversed(f.https) if h.status), None)
    if h is None or is_intercepted(h) or (h.asked and not h.upgrade):
        return []
    lines, says = where([h.line, h.last]), f"answered {h.status}: {ocpp.handshake(h.status).says}"
    word = {101: "accepted", 403: "refused-403", 404: "unknown-404"}.get(h.status)
    if h.status == 401 and (not h.asked or h.credentials):
        word = "not-authorised-401"
    elif h.status == 101 and h.offered and not h.protocol:
        word, says = "closed-no-version", "answered 101 without a version: none in common"
    elif 500 <= h.status <= 599:
        word = "server-error"
    return [TakenReading("handshake-record", stand.unit, word, says, lines)] if word else []
