"""The bring-up from link to upgrade in what network commands printed, stopping at the first failure. Pure.

The order is `diagnose.physics.ip.BRING_UP`.
"""

from __future__ import annotations

import re
from ipaddress import ip_address
from typing import NamedTuple
from urllib.parse import urlsplit

from diagnose.evidence.lines import where
from diagnose.evidence.network.ip.output import Address, CommandOutput, Http
from diagnose.evidence.reader import Asked
from diagnose.physics import ip, ocpp

_LAPTOP = re.compile(r"laptop|notebook|desktop|\bpc\b", re.IGNORECASE)
_STATION = re.compile(r"station|controller|\bunit\b|on-unit", re.IGNORECASE)


class BringUpStep(NamedTuple):
    """A step of the bring-up: reached, failed, or not looked at."""

    ok: bool | None
    why: str = ""
    lines: str = ""


def runner_of(f: CommandOutput, asked: Asked, planned: str | None) -> tuple[str, str]:
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


def usable_addresses(f: CommandOutput) -> list[Address]:
    return [a for a in f.addresses if a.up and a.local and ip.kind_of(a.local) not in ("self-assigned", "unset", "loopback")]


def gateway_of(f: CommandOutput, plan: dict[str, str | None]) -> str:
    return f.gateways[0][0] if f.gateways else "" if f.direct else (plan["gateway"] or "")


def bring_up(f: CommandOutput, plan: dict[str, str | None]) -> dict[str, BringUpStep]:
    return {
        "link": _link(f), "address": _address(f), "gateway": _way_out(f, plan), "name": _names(f),
        "port": _port(f), "tls": _tls(f), "websocket": _upgrade(f),
    }  # fmt: skip


def _link(f: CommandOutput) -> BringUpStep:
    if not f.addresses:
        return BringUpStep(None)
    numbers = where(a.line for a in f.addresses)
    if any(a.up for a in f.addresses):
        return BringUpStep(True, "an interface is up", numbers)
    return BringUpStep(False, "no interface has a link", numbers)


def _address(f: CommandOutput) -> BringUpStep:
    if not f.has_addresses or not f.addresses:
        return BringUpStep(None)
    numbers, usable = where(a.line for a in f.addresses), usable_addresses(f)
    if usable:
        return BringUpStep(True, f"address {usable[0].local}/{usable[0].prefix}", numbers)
    own = next((a for a in f.addresses if a.local), None)
    return BringUpStep(False, f"only {own.local}, self-assigned" if own else "no address", numbers)


def _way_out(f: CommandOutput, plan: dict[str, str | None]) -> BringUpStep:
    usable, gateway = usable_addresses(f), gateway_of(f, plan)
    if f.has_routes and not f.gateways and f.direct is None:
        return BringUpStep(False, "there is no default route", "")
    if usable and f.gateways:
        line = f.gateways[0][1]
        for own in usable:
            faults = ip.address_faults(own.local, str(own.prefix), gateway)
            if not faults:
                break
        else:
            return BringUpStep(False, faults[0][1], where([line, *(a.line for a in usable)]))
    answered, line = f.neighbours.get(gateway, (None, 0))
    asked = [p for p in f.pings if gateway and gateway in (p.target, p.address)]
    if any(p.received for p in asked) or any(p.received for p in f.pings if is_outside(p.address or p.target)):
        return BringUpStep(True, "the gateway is passed", where(p.line for p in asked))
    if answered is False:
        return BringUpStep(False, f"gateway {gateway} does not answer the address question", where([line]))
    if asked and not any(p.received for p in asked) and answered is not True:
        return BringUpStep(False, f"gateway {gateway} answers no ping", where(n for p in asked for n in (p.line, p.last)))
    if f.unreachable and not (f.connected or any(h.status for h in f.https)):
        return BringUpStep(False, "network unreachable", where([f.unreachable]))
    if f.connected or any(h.status for h in f.https) or any(x.address for x in f.lookups):
        return BringUpStep(True, "something outside has answered", "")
    return BringUpStep(None)


def is_outside(target: str) -> bool:
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


def _names(f: CommandOutput) -> BringUpStep:
    if not f.lookups:
        return BringUpStep(None)
    last = f.lookups[-1]
    good = [x for x in f.lookups if x.address and x.name == last.name]
    if good or (last.address and not last.name):
        return BringUpStep(True, f"{last.name} is {good[-1].address if good else last.address}", where([(good or [last])[-1].line]))
    return BringUpStep(False, f"{last.name or 'the name'} is not found", where(x.line for x in f.lookups if x.name == last.name))


def _port(f: CommandOutput) -> BringUpStep:
    if f.connected or any(h.status for h in f.https) or f.tls:
        return BringUpStep(True, "the port answers", where(n for n in [f.connected] if n))
    if f.port_failure:
        how = "is refused" if f.port_failure[0] == "refused" else "gets no answer"
        return BringUpStep(False, f"the connection to the port {how}", where([f.port_failure[1]]))
    return BringUpStep(None)


def _tls(f: CommandOutput) -> BringUpStep:
    if f.tls is None:
        return BringUpStep(True, "", "") if any(h.status for h in f.https) else BringUpStep(None)
    word, line = f.tls
    if word == "verified":
        return BringUpStep(True, "certificate verified", where([line]))
    return BringUpStep(False, {
        "own-certificate-refused": "the server refuses the caller's own certificate",
        "not-yet-valid": "the server's certificate is not yet valid: look at the clock",
        "expired": "the server's certificate has expired, or the clock is far ahead",
        "name-differs": "the certificate carries another name",
        "unknown-issuer": "the issuer of the certificate is not known",
        "cut-off": "the connection is cut during the TLS handshake",
    }[word], where([line]))  # fmt: skip


def _upgrade(f: CommandOutput) -> BringUpStep:
    last = next((h for h in reversed(f.https) if h.status), None)
    if last is None:
        return BringUpStep(None)
    says = f"answered {last.status}: {ocpp.handshake(last.status).says}"
    return BringUpStep(last.status == 101, says, where([last.line, last.last]))


def is_intercepted(h: Http) -> bool:
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
