"""Climbing the rungs from the own address to the WebSocket upgrade, and keeping what was seen on each.

Only reading: one question for the name, one connection for each address (four at most), one more to read
certificates that were refused, one GET for the upgrade, one close frame. What it means is told elsewhere.
"""

from __future__ import annotations

import errno
import ipaddress
import re
import socket
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any, NamedTuple

from diagnose.evidence.network.ip.output import CommandOutput, Lookup
from diagnose.physics import ip, ocpp
from diagnose.probe import clock as probe_time
from diagnose.probe import http as probe_http
from diagnose.probe import own as probe_own
from diagnose.probe import tls as probe_tls
from diagnose.probe.target import Target, Until
from diagnose.source.problems import one_line

RUNGS = ("address", "gateway", "name", "time", "port", "tls", "websocket")
MOST_ADDRESSES = 4
LOCAL_NAME = re.compile(r"(?:.*\.)?localhost\Z")
_NO_NAME = {getattr(socket, n) for n in ("EAI_NONAME", "EAI_NODATA", "EAI_ADDRFAMILY") if hasattr(socket, n)}


class Wish(NamedTuple):
    """What is asked for. `unit` 0: as the record has it; `issuers` a PEM file; `made_up`: the identity is no unit's."""

    target: Target
    subprotocols: tuple[str, ...] = ()
    clock_from: tuple[str, int] | None = None
    timeout: float = 5.0
    seen_from: str = "switch"
    unit: int = 0
    issuers: str = ""
    made_up: bool = False


class Effects(NamedTuple):
    """What reaches into the world: commands of the system, and its resolver (as `socket.getaddrinfo`)."""

    run: probe_own.Run = probe_own.run
    resolve: Callable[..., list[Any]] = socket.getaddrinfo


class Rung(NamedTuple):
    """One step: its name, reached, failed or seen (neither), one line, and how long it took, ms."""

    name: str
    result: str
    says: str
    took_ms: float


class Connect(NamedTuple):
    """One try at one address."""

    address: str
    result: str  # connects, refused, unreachable, no-route, reset, no-answer
    took_ms: float


class Ladder:
    """Climbs, and keeps what it has seen at every moment, so that it may be stopped at any."""

    def __init__(self, wish: Wish, effects: Effects, progress: Callable[[str], None], open_things: ExitStack) -> None:
        self.wish, self.effects, self.progress, self.open = wish, effects, progress, open_things
        self.context = probe_tls.careful(wish.issuers) if wish.target.tls else None
        self.rungs: list[Rung] = []
        self.notes: list[str] = []
        self.strange: list[str] = []
        self.own = probe_own.Own(CommandOutput(), "", ())
        self.addresses: list[str] = []
        self.families: dict[str, int] = {}
        self.kind_of_failure = ""
        self.connects: list[Connect] = []
        self.shaken: probe_tls.Shake | None = None
        self.upgrade: probe_http.Upgrade | None = None
        self.time: probe_time.TimeAnswer | None = None
        self.time_at = ""
        self.date: probe_time.Offset | None = None
        self.interrupted = ""
        self.now_at = ""
        self._sock: Any = None
        self._took_s = 0.0  # of the step at hand, where that is not all the time that it took
        self.began = time.monotonic()

    # ---- the climb
    def climb(self) -> None:
        """All rungs, from below; ends early where what fails explains everything above."""
        for name, step in (
            ("address", self._address), ("gateway", self._gateway), ("name", self._name), ("time", self._clock),
            ("port", self._port), ("tls", self._tls), ("websocket", self._websocket),
        ):  # fmt: skip
            self.now_at = name
            began = time.monotonic()
            self._took_s = 0.0
            outcome = step()
            if outcome is not None:
                result, says = outcome
                took_s = self._took_s or time.monotonic() - began
                self.rungs.append(Rung(name, result, one_line(says, 300), 1000 * took_s))
                # Without an address nothing can be asked. A gateway that looks wrong may lead out all the same.
                if result == "failed" and name not in ("gateway", "time"):
                    if name == "name" and self.wish.clock_from:
                        began = time.monotonic()
                        self._late_clock(began)
                    break
        self.now_at = ""

    def _near(self) -> bool:
        """Whether the target is this computer, so that neither address nor gateway matter."""
        host = self.wish.target.host
        return _loopback(host) if self.wish.target.literal else LOCAL_NAME.match(host) is not None

    def _address(self) -> tuple[str, str] | None:
        self.progress("own address")
        self.own = probe_own.look(self.effects.run, self.wish.timeout)
        self.notes += self.own.notes
        found = self.own.found
        if not found.addresses or not found.has_addresses:
            return "seen", "the addresses of this computer cannot be read here"
        listed = ", ".join(f"{a.local}/{a.prefix} on {a.interface}" for a in found.addresses[:4] if a.local)
        usable = [a for a in found.addresses if a.up and a.local and ip.kind_of(a.local) not in ("self-assigned", "unset", "loopback")]
        if usable or self._near():
            return "reached", listed or "this computer itself is asked"
        if not any(a.up for a in found.addresses):
            return "failed", "no interface has a link"
        return "failed", f"only self-assigned: {listed}" if listed else "no interface has an address"

    def _gateway(self) -> tuple[str, str] | None:
        found = self.own.found
        if self._near() or (not found.has_routes and not found.gateways):
            self._forget_ways()
            return None
        if not found.gateways:
            return "failed", "there is no default route"
        gateway = found.gateways[0][0]
        self.progress(f"gateway {gateway}")
        faults: tuple[tuple[str, str], ...] = ()
        for own in [a for a in found.addresses if a.up and a.local]:
            faults = ip.address_faults(own.local, str(own.prefix), gateway)
            if not faults:
                break
        if faults:
            return "failed", faults[0][1]
        heard, says = probe_own.gateway_answers(self.effects.run, gateway, self.wish.timeout)
        if heard is not None:
            found.neighbours[gateway] = (heard, 2)
        return {True: "reached", False: "failed", None: "seen"}[heard], says

    def _name(self) -> tuple[str, str] | None:
        host = self.wish.target.host
        if self.wish.target.literal:
            self.addresses, self.families = [host], {host: socket.AF_INET6 if ":" in host else socket.AF_INET}
            return None
        self.progress(f"name {host}")
        found, failure = _find_name(self.effects.resolve, host, self.wish.target.port, self.wish.timeout)
        if failure:
            self.kind_of_failure = failure
            self.own.found.lookups.append(Lookup(host, "", 3))
            return "failed", f"{host}: {failure}"
        self.families = dict(found)
        self.addresses = list(self.families)
        self.own.found.lookups += [Lookup(host, a, 3) for a in self.addresses[:20]]
        listed = ", ".join(self.addresses[:MOST_ADDRESSES])
        more = f" and {len(self.addresses) - MOST_ADDRESSES} more" if len(self.addresses) > MOST_ADDRESSES else ""
        return "reached", f"{host} is {listed}{more}"

    def _late_clock(self, began: float) -> None:
        self.now_at = "time"
        outcome = self._clock()
        if outcome is not None:
            self.rungs.append(Rung("time", outcome[0], one_line(outcome[1], 300), 1000 * (time.monotonic() - began)))

    def _clock(self) -> tuple[str, str] | None:
        if self.wish.clock_from is None:
            return None
        host, port = self.wish.clock_from
        self.progress(f"time from {host}")
        found, failure = _find_name(self.effects.resolve, host, port, self.wish.timeout, socket.SOCK_DGRAM)
        if failure:
            self.notes.append(one_line(f"the time server's name {host} is not found: {failure}", 200))
            return "seen", f"{host}: {failure}"
        address, family = found[0]
        self.time_at = address
        answer = probe_time.ask((address, port), family, Until(self.wish.timeout), host)
        self.strange += answer.strange
        self.time = answer
        return ("reached" if answer.offset else "seen" if answer.answered else "failed"), answer.says

    def _port(self) -> tuple[str, str] | None:
        target, found = self.wish.target, self.own.found
        for address in self.addresses[:MOST_ADDRESSES]:
            self.progress(f"port {target.port} at {address}")
            self._connect(address)
        good = [c for c in self.connects if c.result == "connects"]
        bad = [c for c in self.connects if c.result != "connects"]
        times = len(self.connects) > 1
        told = "; ".join(f"{c.address} {_TOLD[c.result]}{f' ({c.took_ms:.1f} ms)' if times else ''}" for c in self.connects)
        if good:
            found.connected = 5
            if bad:
                self.notes.append(
                    one_line(
                        (
                            f"not every address of {target.host} answers at port {target.port}: {told}; a "
                            "station that tries only one may fail"
                        ),
                        400,
                    )
                )
            return "reached", f"port {target.port}: {told}"
        self._why_not(bad)
        return "failed", f"port {target.port}: {told}"

    def _why_not(self, bad: list[Connect]) -> None:
        """What follows from connections that all failed."""
        found, results = self.own.found, {c.result for c in bad}
        if results == {"no-route"}:
            if any(":" not in c.address for c in bad):
                found.unreachable = 5
            else:
                self.notes.append("this computer has no way out with IPv6, and there is no other address; a station may have one")
        elif results <= {"no-route", "unreachable"} and not self._gateway_heard():
            found.unreachable = 5
        else:
            # Where the gateway answers, a report that the host is not to be reached comes from a filter that refuses.
            at_once = results & {"refused", "unreachable", "reset"}
            found.port_failure = ("refused" if at_once else "no-answer", 5)

    def _gateway_heard(self) -> bool:
        return any(heard for heard, _ in self.own.found.neighbours.values())

    def _connect(self, address: str) -> None:
        began = time.monotonic()
        sock = socket.socket(self.families[address], socket.SOCK_STREAM)
        self.open.callback(sock.close)
        try:
            sock.settimeout(self.wish.timeout)
            sock.connect((address, self.wish.target.port))
            result = "connects"
        except ConnectionRefusedError:
            result = "refused"
        except (ConnectionResetError, ConnectionAbortedError):
            result = "reset"
        except TimeoutError:
            result = "no-answer"
        except OSError as error:
            result = "no-route" if error.errno in (errno.ENETUNREACH, errno.EADDRNOTAVAIL) else "unreachable"
        self.connects.append(Connect(address, result, 1000 * (time.monotonic() - began)))
        if result == "connects" and self._sock is None:
            self._sock, self._at = sock, address
        else:
            sock.close()

    def _tls(self) -> tuple[str, str] | None:
        target = self.wish.target
        if self.context is None:
            return None
        self.progress(f"TLS with {target.host}")
        safe, shaken = probe_tls.shake(self._sock, target, self.context, Until(self.wish.timeout))
        self.shaken = shaken
        if safe is not None:
            self.open.callback(safe.close)
            self._sock = safe
        else:
            self._sock.close()
            if shaken.word not in ("cut-off", "alert"):
                self.shaken = shaken = self._read_refused(shaken)
        if shaken.word != "alert":  # the server may want a certificate of the caller's, which the probe has not
            self.own.found.tls = ("unknown-issuer" if shaken.word == "refused" else shaken.word, 6)
        says = f"{shaken.version}, {shaken.says}" if shaken.version and safe is not None else shaken.says
        return ("reached" if safe is not None else "failed"), says

    def _read_refused(self, shaken: probe_tls.Shake) -> probe_tls.Shake:
        self.progress("reading the certificates")
        sock = socket.socket(self.families[self._at], socket.SOCK_STREAM)
        self.open.callback(sock.close)
        try:
            sock.settimeout(self.wish.timeout)
            sock.connect((self._at, self.wish.target.port))
        except OSError:
            return shaken
        version, chain = probe_tls.look_only(sock, self.wish.target, Until(self.wish.timeout))
        return shaken._replace(version=version, chain=chain)

    def _websocket(self) -> tuple[str, str] | None:
        target = self.wish.target
        if not target.path or self._sock is None:
            return None
        self.progress("WebSocket upgrade")
        now = time.time(), time.monotonic()
        late = self.shaken is not None and self.shaken.version == "TLSv1.3"
        listen = min(1.0, 0.1 + 3 * self._round_trip()) if late else 0.0
        up = probe_http.upgrade(self._sock, target, self.wish.subprotocols, Until(self.wish.timeout), now, listen)
        self.upgrade = up
        self._took_s = max(0.0, up.received - up.sent)  # without the goodbye
        if up.head is None:
            if up.raw:
                self.strange.append(f"from the server: {one_line(up.raw[:200].decode('latin-1'), 160)}")
            return "failed", up.says
        self.strange += [f"in the reply's head: {line}" for line in up.head.strange]
        if up.head.get("date"):
            self.date = probe_time.by_date(up.head.get("date"), up.sent, up.received)
        if up.end != "accepted":
            says = up.says if up.end != "answered" else f"answered {up.head.status}: {ocpp.handshake(up.head.status).says}"
            return "failed", says
        return "reached", up.says

    def _round_trip(self) -> float:
        """Seconds that the connection took that is used."""
        return next((c.took_ms / 1000 for c in self.connects if c.result == "connects"), 0.0)

    def _forget_ways(self) -> None:
        found = self.own.found
        found.has_routes, found.gateways, found.neighbours = False, [], {}

    # ---- after the climb
    def settle(self) -> None:
        """Take back what later rungs have disproved: a gateway that looks wrong, and yet something beyond it answers."""
        failed = next((r for r in self.rungs if r.name == "gateway" and r.result == "failed"), None)
        good = [c.address for c in self.connects if c.result == "connects"]
        if failed is None or not (good or self.got_out()):
            return
        if good and all(":" in address for address in good):
            self.notes.append(f"{self.wish.target.host} is reached by IPv6 only; a station that has only IPv4 stays cut off")
            return
        why = "something beyond it answers, so there is another route" if self.got_out() else "what was asked for lies in the own network"
        self.notes.append(f"{failed.says}; yet {why}")
        self._forget_ways()

    def got_out(self) -> bool:
        """Whether something beyond the own networks has answered."""
        heard = [c.address for c in self.connects if c.result == "connects"]
        if self.time is not None and self.time.answered:
            heard.append(self.time_at)
        return any(beyond(address, self.own.found) for address in heard)


def beyond(address: str, found: CommandOutput) -> bool:
    """Whether an address is reached only through a gateway, as far as the own networks are known."""
    there = ipaddress.ip_address(address)
    if there.version == 6:
        return there.is_global
    if there.is_loopback or there.is_link_local:
        return False
    return not any(a.local and ip.same_subnet(a.local, str(a.prefix), address) for a in found.addresses)


_TOLD = {
    "connects": "connects", "refused": "refuses", "unreachable": "is not reachable", "no-route": "has no route to it", "reset": "hangs up",
    "no-answer": "gives no answer",
}  # fmt: skip


def _loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _find_name(
    resolve: Callable[..., list[Any]], host: str, port: int, seconds: float, kind: int = socket.SOCK_STREAM
) -> tuple[list[tuple[str, int]], str]:
    """Addresses with their families, and why there are none. The system's resolver knows no time limit, so it runs apart."""
    box: list[tuple[list[Any], Exception | None]] = []
    done = threading.Event()

    def work() -> None:
        try:
            box.append((resolve(host, port, type=kind), None))
        except Exception as error:  # handed over, told below
            box.append(([], error))
        done.set()

    threading.Thread(target=work, daemon=True, name="resolver").start()
    if not done.wait(seconds) or not box:
        return [], f"no answer from a name server within {seconds:g} s"
    rows, error = box[0]
    if isinstance(error, socket.gaierror):
        if error.errno in _NO_NAME:
            return [], "there is no such name (a name server answered so, or none is set)"
        if error.errno == socket.EAI_AGAIN:
            return [], "no answer from a name server"
        return [], one_line(f"the name server fails: {error.strerror or error}", 120)
    if error is not None:
        return [], one_line(f"the name cannot be asked for: {error}", 120)
    found: dict[str, int] = {}
    for family, _, _, _, place in rows:
        if family in (socket.AF_INET, socket.AF_INET6):
            found.setdefault(str(place[0]), family)
    return list(found.items()), "" if found else "it has no address"
