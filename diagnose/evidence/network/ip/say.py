"""What network commands printed, in remarks and figures."""

from __future__ import annotations

from typing import Any

from diagnose.evidence.network.ip.find import BringUpStep, is_outside
from diagnose.evidence.network.ip.output import CommandOutput
from diagnose.physics import ip
from diagnose.source.problems import one_line


def remarks(f: CommandOutput, plan: dict[str, str | None]) -> list[str]:
    says = []
    for p in f.pings:
        if p.received == 0 and is_outside(p.address or p.target):
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


def figures(f: CommandOutput, runner: str, stop: str | None, steps: dict[str, BringUpStep]) -> dict[str, Any]:
    return {
        "run_on": runner, "stops_at": stop,
        "steps": {s: {True: "reached", False: "failed", None: "not seen"}[step.ok] for s, step in steps.items()},
        "addresses": [
            {
                "interface": a.interface, "up": a.up, "address": a.local or None,
                "prefix": a.prefix if a.local else None,
            }
            for a in f.addresses[:20]
        ],
        "gateways": [g for g, _ in f.gateways[:20]],
        "pings": [
            {
                "target": one_line(p.target, 100), "sent": p.sent, "received": p.received,
                "loss_percent": round(p.loss, 3), "average_ms": p.average_ms,
            }
            for p in f.pings[:50]
        ],
        "names": [{"name": x.name, "address": x.address or None} for x in f.lookups[:50]],
        "http": [{"status": h.status or None, "protocol": h.protocol or None} for h in f.https[:50]],
        "tls": f.tls[0] if f.tls else None,
    }  # fmt: skip
