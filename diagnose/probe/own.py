"""This computer's own address and way out: what the system knows of them, and whether the gateway is there.

Nothing is changed. The gateway gets one empty datagram, so that the system has to ask for its hardware address
(RFC 826); what the system then holds of it is the answer.
"""

from __future__ import annotations

import array
import io
import json
import shutil
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from ipaddress import IPv4Interface, ip_address
from pathlib import Path
from typing import Any, NamedTuple

from diagnose.evidence.network.ip.output import Address, CommandOutput
from diagnose.evidence.network.ip.read import gather
from diagnose.probe.target import Until
from diagnose.source.problems import one_line

Run = Callable[[Sequence[str], float], str]
DISCARD = 9
"""Port of the discard service: whatever comes to it is thrown away (RFC 863)."""
WAIT_S, LOOK_EVERY_S = 3.0, 0.15
GOOD = {"REACHABLE"}
GONE = {"FAILED", "INCOMPLETE"}


class Own(NamedTuple):
    """What is known of this computer: `device` is the interface that leads out, empty for none."""

    found: CommandOutput
    device: str
    notes: tuple[str, ...]


def run(words: Sequence[str], seconds: float) -> str:
    """What a command of the system printed; nothing when it is not there, fails or takes too long."""
    path = shutil.which(words[0])
    if path is None:
        return ""
    try:
        done = subprocess.run([path, *words[1:]], stdin=subprocess.DEVNULL, capture_output=True, timeout=seconds, check=False)
    except (OSError, subprocess.SubprocessError):
        return ""
    return done.stdout.decode("utf-8", "replace") if done.returncode == 0 else ""


def look(commands: Run, seconds: float) -> Own:
    """Addresses and gateways, line 1 the addresses and line 2 the routes."""
    addresses = commands(("ip", "-json", "addr"), seconds) or _kernel_addresses()
    routes = commands(("ip", "-json", "route"), seconds) or _kernel_routes()
    text = " ".join(addresses.split("\n")).strip() + "\n" + " ".join(routes.split("\n")).strip() + "\n"
    found, _ = gather(io.BytesIO(text.encode()))
    found.has_routes = found.has_routes or bool(routes.strip())
    if addresses.strip() and not found.addresses:  # nothing but the loopback
        found.addresses, found.has_addresses = [Address("none", False, "", 0, 1)], True
    notes: list[str] = []
    ways = _default_ways(routes)
    device = ways[0][1] if ways else ""
    if len({d for _, d, _ in ways}) > 1:
        others = ", ".join(sorted({d for _, d, _ in ways} - {device}))
        notes.append(
            one_line(
                (
                    f"there is more than one way out: this goes by {device}, not by {others}; unplug or "
                    "switch off what is not the station's network"
                ),
                300,
            )
        )
    if device and Path(f"/sys/class/net/{device}/wireless").exists():
        notes.append(f"{one_line(device, 40)} is a wireless interface: what follows says nothing of the station's cable")
    notes += _clashes(found)
    if ways and ways[0][2]:
        found.gateways = [(ways[0][2], 2)]
    elif ways:
        found.gateways, found.has_routes = [], False
        notes.append(one_line(f"the way out by {device} has no gateway: a modem or a tunnel, not the station's cable", 200))
    _only(found, device)
    if found.addresses and not any(a.local for a in found.addresses) and _has_v6(addresses, device):
        found.has_addresses = False
        notes.append("there are only IPv6 addresses, which are not judged")
    return Own(found, device, tuple(notes))


def _only(found: CommandOutput, device: str) -> None:
    """Leave out interfaces that have nothing to do with the way out."""
    if device:
        found.addresses = [a for a in found.addresses if a.interface == device] or found.addresses
        return
    found.addresses = [a for a in found.addresses if a.up and a.local] or [a for a in found.addresses if a.up] or found.addresses


def _default_ways(routes: str) -> list[tuple[int, str, str]]:
    """Default routes as (metric, interface, gateway), the one that is used first; no gateway on a line with two ends."""
    ways = []
    for row in _rows(routes):
        gateway, device, metric = row.get("gateway", ""), row.get("dev"), row.get("metric", 0)
        if row.get("dst") == "default" and isinstance(gateway, str) and isinstance(device, str) and isinstance(metric, int):
            try:
                if not gateway or ip_address(gateway).version == 4:
                    ways.append((metric, one_line(device, 40), gateway))
            except ValueError:
                continue
    return sorted(ways, key=lambda way: way[0])


def _rows(text: str) -> list[dict[str, Any]]:
    try:
        rows = json.loads(text) if text.strip() else []
    except (ValueError, RecursionError):
        return []
    return [r for r in rows if isinstance(r, dict)] if isinstance(rows, list) else []


def _has_v6(addresses: str, device: str) -> bool:
    for row in _rows(addresses):
        info = row.get("addr_info")
        for entry in info if isinstance(info, list) else ():
            if isinstance(entry, dict) and entry.get("family") == "inet6" and entry.get("scope") == "global":
                return not device or row.get("ifname") == device
    return False


def _clashes(found: CommandOutput) -> list[str]:
    """Own addresses that get in each other's way (RFC 1122, 3.3.4)."""
    kept = [(a.interface, IPv4Interface(f"{a.local}/{a.prefix}")) for a in found.addresses if a.local and a.up]
    notes = []
    for n, (device, one) in enumerate(kept[:50]):
        for other, two in kept[n + 1 : 50]:
            if one.ip == two.ip:
                notes.append(one_line(f"{one.ip} is set twice, on {device} and on {other}", 200))
            elif device != other and one.network.overlaps(two.network) and one.network.prefixlen < 31:
                notes.append(one_line(f"{device} and {other} both lie in {one.network}; answers may come by the wrong one", 200))
    return notes[:3]


def gateway_answers(commands: Run, gateway: str, seconds: float) -> tuple[bool | None, str]:
    """Whether the gateway is heard: yes, no, or not known; and how that is known."""
    until = Until(min(seconds, WAIT_S))
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)
            sock.sendto(b"", (gateway, DISCARD))
    except OSError as error:
        return None, one_line(f"gateway {gateway} cannot be asked: {error.strerror or error}")
    states: set[str] = set()
    while True:
        states = _neighbour(commands, gateway)
        if states & GOOD:
            return True, f"gateway {gateway} answers the address question"
        if "FAILED" in states or not states or until.left() <= 0:
            break
        if not states & GONE and until.left() < WAIT_S / 2:
            break  # heard lately; the system asks again by itself only after some seconds
        time.sleep(min(LOOK_EVERY_S, until.left()))
    if commands(("ping", "-c", "1", "-W", "1", gateway), 2.0):
        return True, f"gateway {gateway} answers a ping"
    if states & GONE:
        return False, f"gateway {gateway} does not answer the address question"
    return None, f"gateway {gateway} was heard lately" if states else f"whether gateway {gateway} answers is not known here"


def _neighbour(commands: Run, address: str) -> set[str]:
    """What the system holds of a neighbour: the words of `ip neigh`, empty for nothing."""
    for row in _rows(commands(("ip", "-json", "neigh", "show", address), 2.0)):
        state = row.get("state")
        if row.get("dst") == address and isinstance(state, list):
            return {s for s in state if isinstance(s, str)}
    for line in _lines("/proc/net/arp")[1:]:
        words = line.split()
        if len(words) >= 3 and words[0] == address:
            return {"STALE"} if words[2] == "0x2" else {"INCOMPLETE"}
    return set()


# ---- without the command `ip`: what the kernel shows (Linux)
def _lines(path: str) -> list[str]:
    try:
        return Path(path).read_text(encoding="ascii", errors="replace")[: 1 << 20].split("\n")
    except OSError:
        return []


def _kernel_routes() -> str:
    rows = []
    for line in _lines("/proc/net/route")[1:]:
        words = line.split()
        try:
            if len(words) > 7 and int(words[1], 16) == 0 and int(words[7], 16) == 0 and int(words[3], 16) & 2:
                gateway = socket.inet_ntoa(struct.pack("=I", int(words[2], 16)))
                rows.append({"dst": "default", "gateway": gateway, "dev": words[0], "metric": int(words[6])})
        except (ValueError, struct.error):
            continue
    return json.dumps(rows) if rows else ""


def _kernel_addresses() -> str:
    if sys.platform != "linux":
        return ""
    import fcntl

    rows = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for _, name in socket.if_nameindex():
            asked = array.array("B", struct.pack("256s", name.encode()[:15]))
            values = []
            for code in (0x8915, 0x891B):  # address and mask (netdevice(7))
                try:
                    answer = fcntl.ioctl(sock.fileno(), code, asked.tobytes())
                    values.append(answer[20:24])
                except OSError:
                    break
            state = (_lines(f"/sys/class/net/{name}/operstate") or [""])[0].strip().upper()
            flags = ["LOOPBACK"] if name == "lo" else ["NO-CARRIER"] if state in ("DOWN", "LOWERLAYERDOWN") else []
            row: dict[str, Any] = {"ifname": name, "flags": flags, "operstate": state or "UNKNOWN", "addr_info": []}
            if len(values) == 2:
                prefix = int.from_bytes(values[1], "big").bit_count()
                row["addr_info"] = [{"family": "inet", "local": socket.inet_ntoa(values[0]), "prefixlen": prefix}]
            rows.append(row)
    return json.dumps(rows) if rows else ""
