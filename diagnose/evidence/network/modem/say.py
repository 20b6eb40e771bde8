"""A modem's replies in remarks and figures."""

from __future__ import annotations

from typing import Any

from diagnose.evidence.network.modem.find import ModemFindings, first_bound
from diagnose.evidence.network.modem.read import Transcript
from diagnose.physics import cellular


def signal_notes(s: Transcript) -> tuple[str, ...]:
    known = [x.value for x in s.csq if x.value != cellular.CSQ_UNKNOWN]
    if len(known) > 1 and max(known) - min(known) >= 8:
        return (f"the signal swings from {min(known)} to {max(known)} of 31: antenna connection, or something that moves before it",)
    return ()


def figures(s: Transcript, found: ModemFindings) -> dict[str, Any]:
    """The figures, as docs/evidence/modem.md lists them."""
    r = found.replies
    known = [x.value for x in s.csq if x.value != cellular.CSQ_UNKNOWN]
    return {
        "verdict": found.word, "sim": r.sim, "registration": r.registration, "address": r.address, "apn": r.apn,
        "error": r.error, "operator": s.operator or None,
        "csq": {
            "last": r.csq, "least": min(known, default=None), "most": max(known, default=None),
            "readings": len(s.csq),
        },
        "rsrp_dbm": first_bound(cellular.cesq_rsrp_dbm(r.rsrp) if r.rsrp is not None else None),
        "rsrq_db": first_bound(cellular.cesq_rsrq_db(r.rsrq) if r.rsrq is not None else None),
        "commands": s.command_count, "replies": s.replies,
    }  # fmt: skip
