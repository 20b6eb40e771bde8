"""A station's messages in sentences and figures."""

from __future__ import annotations

from collections import Counter
from typing import Any

from diagnose.evidence.ocpp.find import Limit, clock_offset_s
from diagnose.evidence.ocpp.station import (
    GAP_FACTOR,
    Station,
)
from diagnose.source.problems import one_line


# ---- remarks and figures
def says(s: Station) -> list[str]:
    says = [f"version {s.version or 'not known'}, {s.messages} messages"]
    if s.boots and not s.boots[-1].status:
        says.append("the last boot message has no answer")
    interval = next((b.interval for b in reversed(s.boots) if b.status in ("Pending", "Rejected") and b.interval), None)
    if interval is not None and s.boots[-1].status != "Accepted":
        says.append(f"not accepted; the station asks again after {interval:g} s")
    if s.gap_count:
        says.append(f"{s.gap_count} gaps longer than {GAP_FACTOR:g} heartbeat intervals, the longest {s.longest_gap:.4g} s")
    for pair, count in s.errors.most_common(5):
        says.append(f"{count} × error reply to {one_line(pair, 100)}")
    if s.external_limit is not None:
        says.append(f"a limit from outside is in force: {one_line(s.external_limit[0], 40)} (line {s.external_limit[1]})")
    if s.alarms.get("EmergencyStop"):
        says.append("an emergency stop was reported")
    if s.orphans:
        says.append(f"{s.orphans} answers to no request: the log begins in the middle, or holds one side only")
    if s.waiting:
        says.append(f"{s.waiting} requests without an answer in the log")
    return says


def figures(s: Station, limits: dict[str, Limit]) -> dict[str, Any]:
    interval = next((b.interval for b in reversed(s.boots) if b.status == "Accepted"), None)
    downs = [x for x in s.links if not x.up]
    offset = clock_offset_s(s)
    return {
        "version": s.version or None, "messages": s.messages,
        "boots": [{"line": b.line, "status": b.status or None, "interval_s": b.interval, "reason": b.reason or None} for b in list(s.boots)[-20:]],
        "connectors": {k: {
            "status": c.last.status if c.last else None, "error": c.last.error if c.last else None, "charging": c.charging or None,
            "changes": c.count, "last_error": c.alarm.error if c.alarm else None, "offered_a": c.offered[0] if c.offered else None,
            "limit_a": round(limits[k].amps, 3) if k in limits else None, "operative": c.available,
            "reserved": c.reserved is not None,
        } for k, c in sorted(s.connectors.items())},
        "error_codes": dict(s.alarms.most_common(20)), "authorizations": {one_line(k, 40): n for k, n in s.verdict_counts.most_common(20)},
        "sessions": [
            {
                "connector": x.connector or None, "id": one_line(x.id, 60), "energy_wh": x.energy_wh,
                "reason": one_line(x.reason, 40), "line": x.line,
            }
            for x in list(s.sessions)[-20:]
        ],
        "session_count": s.session_count, "running": [one_line(x, 60) for x in list(s.running)[-20:]],
        "error_replies": {one_line(k, 100): n for k, n in s.errors.most_common(20)},
        "heartbeat": {"interval_s": interval, "gaps": s.gap_count, "longest_gap_s": round(s.longest_gap, 1) if s.gap_count else None},
        "firmware": one_line(s.firmware[0], 40) if s.firmware else None,
        "connections": {
            "ups": sum(x.up for x in s.links), "downs": len(downs),
            "codes": dict(Counter(str(x.code) if x.code else "none" for x in downs)),
        },
        "clock_offset_s": None if offset is None else round(offset, 1), "volts": s.volts or None,
    }  # fmt: skip
