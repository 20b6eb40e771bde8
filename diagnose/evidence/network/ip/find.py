"""From what network commands printed to answers: the bring-up from link to upgrade, stopping at the first failure.

The order is `diagnose.physics.ip.BRING_UP`. A command run on the station itself tells where the station's own
connection stops; the same command on a laptop beside it tells what the network gives. They answer different checks.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from diagnose.evidence.lines import where
from diagnose.evidence.reader import Asked
from diagnose.evidence.report import TakenReading
from diagnose.evidence.standpoint import Standpoint
from diagnose.physics import ip, ocpp
from diagnose.source.problems import one_line

FEWEST_PINGS = 20
"""Pings below which a lost one proves little (common practice, no source)."""
_LAPTOP = re.compile(r"laptop|notebook|desktop|\bpc\b", re.IGNORECASE)
_STATION = re.compile(r"station|controller|\bunit\b|on-unit", re.IGNORECASE)
_SWITCH = re.compile(r"switch", re.IGNORECASE)


class Address(NamedTuple):
    """An interface with one of its addresses; `local` is empty for none."""

    interface: str
    up: bool
    local: str
    prefix: int
    line: int


class Ping(NamedTuple):
    """One series of pings; `received` is below zero until it is known."""

    target: str
    address: str
    sent: int
    received: int
    average_ms: float | None
    line: int
    last: int

    @property
    def loss(self) -> float:
        """Lost share, percent."""
        return 100.0 * (self.sent - self.received) / self.sent if self.sent > 0 else 0.0


class Lookup(NamedTuple):
    """A name and an address found for it, empty for none."""

    name: str
    address: str
    line: int


@dataclass
class Http:
    """A request as far as it was shown, and its reply."""

    line: int
    last: int
    asked: bool = False
    status: int = 0
    host: str = ""
    offered: str = ""
    credentials: bool = False
    upgrade: bool = False
    protocol: str = ""
    location: str = ""
    page: bool = False


@dataclass
class CommandOutput:
    """Everything that the commands printed."""

    addresses: list[Address] = field(default_factory=list)
    has_addresses: bool = False
    gateways: list[tuple[str, int]] = field(default_factory=list)
    has_routes: bool = False
    direct: tuple[str, int] | None = None  # a default route into an interface, without a gateway
    neighbours: dict[str, tuple[bool, int]] = field(default_factory=dict)
    pings: list[Ping] = field(default_factory=list)
    lookups: list[Lookup] = field(default_factory=list)
    https: list[Http] = field(default_factory=list)
    connected: int = 0
    port_failure: tuple[str, int] | None = None
    tls: tuple[str, int] | None = None
    unreachable: int = 0
    prompt: str = ""


class Verdict(NamedTuple):
    """What follows from the commands."""

    says: tuple[str, ...]
    taken: tuple[TakenReading, ...]
    figures: dict[str, Any]


class _Rung(NamedTuple):
    """A step of the bring-up: reached, failed, or not looked at."""

    ok: bool | None
    why: str = ""
    lines: str = ""


def judge(f: CommandOutput, asked: Asked, stand: Standpoint) -> Verdict:
    """Answers, remarks and figures. Source: common practice for the order; RFCs as in the module above."""
    site = asked.site
    plan = {key: site.word(f"uplink.{key}", stand.uplink_place) if site else None for key in ("address", "mask", "gateway", "kind")}
    runner, how = _runner(f, asked, plan["address"])
    steps = _steps(f, plan)
    stop = next((s for s in ip.BRING_UP if steps.get(s) and steps[s].ok is False), None)
    taken = _station(f, plan, steps, stop, stand) if runner == "station" else _laptop(f, asked, plan, steps, stop, stand)
    taken += _measured(f, plan, runner, stand)
    taken += _handshake(f, stand)
    says = [f"taken as run on {'the station itself' if runner == 'station' else 'a laptop in the station network'} ({how})"]
    if stop:
        says.append(one_line(f"the way to the back office stops at {stop}: {steps[stop].why}"))
    says += _remarks(f, plan)
    return Verdict(tuple(says), tuple(taken), _figures(f, runner, stop, steps))


def _runner(f: CommandOutput, asked: Asked, planned: str | None) -> tuple[str, str]:
    """Where the commands were run: the station or a laptop; and by which sign."""
    if asked.point:
        return ("station" if asked.point in ("station", "controller") else "laptop"), "as given"
    if asked.at is not None and asked.at.kind == "unit":
        return "station", "as given"
    for text, sign in ((asked.name, "by the file's name"), (f.prompt, "by the prompt")):
        if _LAPTOP.search(text):
            return "laptop", sign
        if _STATION.search(text.replace("_", " ")):
            return "station", sign
    if planned and any(a.local == planned for a in f.addresses):
        return "station", "it has the station's address"
    return "laptop", "nothing says otherwise; put 'station' into the file's name if it was the station"


def _usable(f: CommandOutput) -> list[Address]:
    return [a for a in f.addresses if a.up and a.local and ip.kind_of(a.local) not in ("self-assigned", "unset", "loopback")]


def _gateway(f: CommandOutput, plan: dict[str, str | None]) -> str:
    return f.gateways[0][0] if f.gateways else "" if f.direct else (plan["gateway"] or "")


def _steps(f: CommandOutput, plan: dict[str, str | None]) -> dict[str, _Rung]:
    return {
        "link": _link(f), "address": _address(f), "gateway": _way_out(f, plan), "name": _names(f),
        "port": _port(f), "tls": _tls(f), "websocket": _upgrade(f),
    }  # fmt: skip


def _link(f: CommandOutput) -> _Rung:
    if not f.addresses:
        return _Rung(None)
    numbers = where(a.line for a in f.addresses)
    if any(a.up for a in f.addresses):
        return _Rung(True, "an interface is up", numbers)
    return _Rung(False, "no interface has a link", numbers)


def _address(f: CommandOutput) -> _Rung:
    if not f.has_addresses or not f.addresses:
        return _Rung(None)
    numbers, usable = where(a.line for a in f.addresses), _usable(f)
    if usable:
        return _Rung(True, f"address {usable[0].local}/{usable[0].prefix}", numbers)
    own = next((a for a in f.addresses if a.local), None)
    return _Rung(False, f"only {own.local}, self-assigned" if own else "no address", numbers)


def _way_out(f: CommandOutput, plan: dict[str, str | None]) -> _Rung:
    usable, gateway = _usable(f), _gateway(f, plan)
    if f.has_routes and not f.gateways and f.direct is None:
        return _Rung(False, "there is no default route", "")
    if usable and f.gateways:
        line = f.gateways[0][1]
        for own in usable:
            faults = ip.address_faults(own.local, str(own.prefix), gateway)
            if not faults:
                break
        else:
            return _Rung(False, faults[0][1], where([line, *(a.line for a in usable)]))
    answered, line = f.neighbours.get(gateway, (None, 0))
    asked = [p for p in f.pings if gateway and gateway in (p.target, p.address)]
    if any(p.received for p in asked) or any(p.received for p in f.pings if _outside(p.address or p.target)):
        return _Rung(True, "the gateway is passed", where(p.line for p in asked))
    if answered is False:
        return _Rung(False, f"gateway {gateway} does not answer the address question", where([line]))
    if asked and not any(p.received for p in asked) and answered is not True:
        return _Rung(False, f"gateway {gateway} answers no ping", where(n for p in asked for n in (p.line, p.last)))
    if f.unreachable and not (f.connected or any(h.status for h in f.https)):
        return _Rung(False, "network unreachable", where([f.unreachable]))
    if f.connected or any(h.status for h in f.https) or any(x.address for x in f.lookups):
        return _Rung(True, "something outside has answered", "")
    return _Rung(None)


def _outside(target: str) -> bool:
    try:
        return ip.kind_of(target) == "public"
    except ValueError:
        return False


def astray(f: CommandOutput) -> bool:
    """Whether the name asked last is answered only with addresses where no server elsewhere can be, as filters do with names they bar."""
    if not f.lookups:
        return False
    name = f.lookups[-1].name.rstrip(".").lower()
    if not name or name == "localhost" or name.endswith((".localhost", ".local")):
        return False
    there = [ip_address(x.address) for x in f.lookups if x.address and x.name == f.lookups[-1].name]
    return bool(there) and all(a.is_loopback or a.is_unspecified or a.is_link_local for a in there)


def _names(f: CommandOutput) -> _Rung:
    if not f.lookups:
        return _Rung(None)
    last = f.lookups[-1]
    good = [x for x in f.lookups if x.address and x.name == last.name]
    if good or (last.address and not last.name):
        return _Rung(True, f"{last.name} is {good[-1].address if good else last.address}", where([(good or [last])[-1].line]))
    return _Rung(False, f"{last.name or 'the name'} is not found", where(x.line for x in f.lookups if x.name == last.name))


def _port(f: CommandOutput) -> _Rung:
    if f.connected or any(h.status for h in f.https) or f.tls:
        return _Rung(True, "the port answers", where(n for n in [f.connected] if n))
    if f.port_failure:
        how = "is refused" if f.port_failure[0] == "refused" else "gets no answer"
        return _Rung(False, f"the connection to the port {how}", where([f.port_failure[1]]))
    return _Rung(None)


def _tls(f: CommandOutput) -> _Rung:
    if f.tls is None:
        return _Rung(True, "", "") if any(h.status for h in f.https) else _Rung(None)
    word, line = f.tls
    if word == "verified":
        return _Rung(True, "certificate verified", where([line]))
    return _Rung(False, {
        "own-certificate-refused": "the server refuses the caller's own certificate",
        "not-yet-valid": "the server's certificate is not yet valid: look at the clock",
        "expired": "the server's certificate has expired, or the clock is far ahead",
        "name-differs": "the certificate carries another name",
        "unknown-issuer": "the issuer of the certificate is not known",
        "cut-off": "the connection is cut during the TLS handshake",
    }[word], where([line]))  # fmt: skip


def _upgrade(f: CommandOutput) -> _Rung:
    last = next((h for h in reversed(f.https) if h.status), None)
    if last is None:
        return _Rung(None)
    says = f"answered {last.status}: {ocpp.handshake(last.status).says}"
    return _Rung(last.status == 101, says, where([last.line, last.last]))


def _intercepted(h: Http) -> bool:
    """A reply that sends the caller to a page of somebody else's, or asks to sign on to the network (RFC 6585: 511)."""
    if h.status == 511:
        return True
    if h.status not in (302, 303, 307) or not h.location:
        return False
    try:
        there = (urlsplit(h.location).hostname or "").lower()
    except ValueError:
        return False
    asked = h.host.rsplit(":", 1)[0] if h.host.count(":") == 1 else h.host
    return bool(there) and bool(asked) and there != asked


def _station(
    f: CommandOutput, plan: dict[str, str | None], steps: dict[str, _Rung], stop: str | None, stand: Standpoint
) -> list[TakenReading]:
    at, taken = stand.uplink, []
    shown = _shown(f, plan)
    if shown:
        taken.append(TakenReading("network-address-shown", at, shown[0], shown[1], steps["address"].lines))
    own = next(iter(_usable(f)), None)
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
    usable = _usable(f)
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
    f: CommandOutput, asked: Asked, plan: dict[str, str | None], steps: dict[str, _Rung], stop: str | None, stand: Standpoint
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
    if last is not None and _intercepted(last):
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
    if last is not None and not _intercepted(last):
        if last.status in (101, 401, 404):
            taken.append(TakenReading("websocket-try", at, "answered", f"answered {last.status}", where([last.line, last.last])))
        elif last.upgrade and (last.status in (200, 400, 426) or last.status in (301, 302)):
            text = f"an upgrade was asked for, the answer is {last.status}"
            taken.append(TakenReading("websocket-try", at, "spoiled", text, where([last.line, last.last])))
    elif last is None and port.ok is False:
        taken.append(TakenReading("websocket-try", at, "not-reached", port.why, port.lines))
    return taken


def _what_laptop_gets(f: CommandOutput, steps: dict[str, _Rung], plan: dict[str, str | None]) -> tuple[str, str, str] | None:
    for step, word in (("link", "no-link"), ("address", "no-address"), ("gateway", "no-way-out")):
        if steps[step].ok is False:
            return word, steps[step].why, steps[step].lines
    station = plan["address"]
    through = [p for p in f.pings if p.sent >= FEWEST_PINGS and station not in (p.target, p.address) and p.received]
    lossy = next((p for p in through if p.loss >= 1.0), None)
    if lossy:
        return "loses-packets", f"{lossy.loss:.3g} % of {lossy.sent} pings to {lossy.target} lost", where([lossy.line, lossy.last])
    outside = [p for p in f.pings if p.received and _outside(p.address or p.target)]
    if outside or f.connected or any(h.status for h in f.https):
        return "gets-through", "something outside answers", where([p.line for p in outside])
    return None


def _measured(f: CommandOutput, plan: dict[str, str | None], runner: str, stand: Standpoint) -> list[TakenReading]:
    taken = []
    gateway = _gateway(f, plan)
    for p in f.pings:
        lines = where([p.line, p.last])
        to_station = bool(plan["address"]) and plan["address"] in (p.target, p.address)
        if to_station and runner == "laptop" and p.sent >= FEWEST_PINGS:
            text = f"{p.sent - p.received} of {p.sent} pings to the station lost"
            taken.append(TakenReading("station-loss", stand.uplink, f"{p.loss:.4g} %", text, lines))
        elif p.average_ms is not None and p.received and not to_station and gateway not in (p.target, p.address) and _outside(p.address or p.target):
            text = f"{p.received} replies from {p.target}"
            taken.append(TakenReading("round-trip", stand.uplink, f"{p.average_ms:.4g} ms", text, lines))
    last: dict[str, TakenReading] = {}
    for t in taken:
        last[t.check] = t
    return [last[check] for check in sorted(last)]


def _handshake(f: CommandOutput, stand: Standpoint) -> list[TakenReading]:
    """What the back office said to the upgrade. A 401 to a request without credentials proves nothing."""
    h = next((h for h in reversed(f.https) if h.status), None)
    if h is None or _intercepted(h) or (h.asked and not h.upgrade):
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


def _remarks(f: CommandOutput, plan: dict[str, str | None]) -> list[str]:
    says = []
    for p in f.pings:
        if p.received == 0 and _outside(p.address or p.target):
            says.append(one_line(f"{p.target} answers no ping; many servers do not, so this proves nothing by itself"))
            break
    found = [x for x in f.lookups if x.address]
    odd = next((x for x in found if ":" not in x.address and ip.kind_of(x.address) != "public"), None)
    if odd:
        says.append(one_line(f"{odd.name} resolves to {odd.address}, a {ip.kind_of(odd.address)} address: right only on a private network"))
    h = next((h for h in reversed(f.https) if h.status), None)
    if h is not None and h.status == 401 and h.asked and not h.credentials:
        says.append("401 came to a request without user and password; try again with them")
    if h is not None and h.status == 101 and h.protocol:
        says.append(one_line(f"the server chose {h.protocol}"))
    return says


def _figures(f: CommandOutput, runner: str, stop: str | None, steps: dict[str, _Rung]) -> dict[str, Any]:
    return {
        "run_on": runner, "stops_at": stop,
        "steps": {s: {True: "reached", False: "failed", None: "not seen"}[step.ok] for s, step in steps.items()},
        "addresses": [{"interface": a.interface, "up": a.up, "address": a.local or None, "prefix": a.prefix if a.local else None} for a in f.addresses[:20]],
        "gateways": [g for g, _ in f.gateways[:20]],
        "pings": [{"target": one_line(p.target, 100), "sent": p.sent, "received": p.received, "loss_percent": round(p.loss, 3), "average_ms": p.average_ms} for p in f.pings[:50]],
        "names": [{"name": x.name, "address": x.address or None} for x in f.lookups[:50]],
        "http": [{"status": h.status or None, "protocol": h.protocol or None} for h in f.https[:50]],
        "tls": f.tls[0] if f.tls else None,
    }  # fmt: skip
