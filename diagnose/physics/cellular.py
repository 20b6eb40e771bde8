"""What a modem's replies mean: signal, registration, SIM, errors, and a verdict over a set of replies.

Source: 3GPP TS 27.007 (8.5 signal, 8.69 extended signal, 7.2 and 10.1.22 registration, 8.3 SIM, 9.2 errors).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import NamedTuple

CSQ_UNKNOWN, CESQ_UNKNOWN = 99, 255
CSQ_GOOD, CSQ_FAIR = 15, 10
"""Signal figures from which reception is good, and fair (common practice, no source)."""
RSRP_GOOD_DBM, RSRP_FAIR_DBM, RSRP_NONE_DBM = -95.0, -110.0, -125.0
"""Reference signal power bounds, dBm (common practice, no source: published tables differ by 10 to 15 dB)."""
RSRP_RANGE_DBM = (-140.0, -44.0)

REGISTRATION: Mapping[int, str] = {
    0: "not registered, not searching",
    1: "registered at home",
    2: "searching",
    3: "denied",
    4: "unknown, out of coverage",
    5: "registered, roaming",
    6: "registered for SMS only, home",
    7: "registered for SMS only, roaming",
    8: "emergency calls only",
    9: "registered, circuit fallback not preferred, home",
    10: "registered, circuit fallback not preferred, roaming",
}
"""Registration state, the second number of the read form (TS 27.007, 7.2; 8 from memory)."""
REGISTERED = frozenset({1, 5, 9, 10})

SIM: Mapping[str, str] = {
    "READY": "SIM usable",
    "SIM PIN": "SIM waits for its PIN",
    "SIM PUK": "SIM blocked after wrong PINs; needs the PUK",
    "SIM PIN2": "waits for PIN2",
    "SIM PUK2": "PIN2 blocked; needs PUK2",
    "PH-SIM PIN": "modem locked to another SIM",
    "PH-NET PIN": "modem locked to another network",
    "PH-NET PUK": "network lock blocked",
    "PH-NETSUB PIN": "modem locked to another part of the network",
    "PH-NETSUB PUK": "lock to a part of the network blocked",
    "PH-SP PIN": "modem locked to another provider",
    "PH-SP PUK": "provider lock blocked",
    "PH-CORP PIN": "modem locked to another company",
    "PH-CORP PUK": "company lock blocked",
}
"""SIM states (TS 27.007, 8.3)."""

ERRORS: Mapping[int, str] = {
    5: "PH-SIM PIN required",
    10: "SIM not inserted",
    11: "SIM PIN required",
    12: "SIM PUK required",
    13: "SIM failure",
    14: "SIM busy",
    15: "wrong SIM",
    16: "incorrect password",
    17: "SIM PIN2 required",
    18: "SIM PUK2 required",
    30: "no network service",
    31: "network time-out",
    40: "network personalization PIN required",
    41: "network personalization PUK required",
    42: "network subset personalization PIN required",
    43: "network subset personalization PUK required",
    44: "service provider personalization PIN required",
    45: "service provider personalization PUK required",
    46: "corporate personalization PIN required",
    47: "corporate personalization PUK required",
}
"""Error numbers (TS 27.007, 9.2; 11, 16, 17, 18 checked, the rest from memory)."""


def csq_dbm(figure: int) -> float | None:
    """Signal in dBm of a +CSQ figure 0 to 31 (0: that or less, 31: that or more); None for 99, unknown.

    Errors: ValueError for any other figure. Source: TS 27.007, 8.5.
    """
    if figure == CSQ_UNKNOWN:
        return None
    if not 0 <= figure <= 31:
        raise ValueError(f"signal figure is {figure}; it must be 0 to 31, or 99 for unknown")
    return -113.0 + 2 * figure


def _interval(figure: int, top: int, base: float, step: float, what: str) -> tuple[float | None, float | None] | None:
    if figure == CESQ_UNKNOWN:
        return None
    if not 0 <= figure <= top:
        raise ValueError(f"{what} figure is {figure}; it must be 0 to {top}, or 255 for unknown")
    low = base + step * figure
    return (None if figure == 0 else low, None if figure == top else low + step)


def cesq_rsrp_dbm(figure: int) -> tuple[float | None, float | None] | None:
    """Bounds in dBm of a +CESQ rsrp figure 0 to 97 (None: unbounded); None for 255, unknown.

    Errors: ValueError for any other figure. Source: TS 27.007, 8.69, from memory.
    """
    return _interval(figure, 97, -141.0, 1.0, "rsrp")


def cesq_rsrq_db(figure: int) -> tuple[float | None, float | None] | None:
    """Bounds in dB of a +CESQ rsrq figure 0 to 34. Errors and source: as `cesq_rsrp_dbm`."""
    return _interval(figure, 34, -20.0, 0.5, "rsrq")


def rsrq_db(blocks: int, rsrp_dbm: float, rssi_dbm: float) -> float:
    """Reference signal quality in dB from resource blocks, power and total power in dBm.

    Errors: ValueError for no block. Source: definition, 3GPP TS 36.214, from memory.
    """
    if blocks < 1:
        raise ValueError("at least one resource block is measured")
    return 10 * math.log10(blocks) + rsrp_dbm - rssi_dbm


class Replies(NamedTuple):
    """What a set of modem replies says; None where no reply did."""

    sim: str | None = None
    registration: int | None = None
    csq: int | None = None
    rsrp: int | None = None
    rsrq: int | None = None
    address: str | None = None
    apn: str | None = None
    error: int | None = None


_NUMBER = re.compile(r"-?[0-9]{1,6}")
_LINE = re.compile(r"^\+(CPIN|C(?:G|E|5G)?REG|CSQ|CESQ|CGPADDR|CGDCONT|CME ERROR):\s*(.*)$", re.IGNORECASE)


def read_replies(lines: Iterable[str]) -> Replies:
    """The replies in the lines of a modem session; what is not understood is skipped, later lines prevail.

    A registration on any of the networks asked about counts over a state without one.
    Source: TS 27.007, 7.2, 8.3, 8.5, 8.69, 9.2, 10.1.
    """
    found = Replies()
    for line in lines:
        match = _LINE.match(line.strip())
        if not match:
            continue
        word, rest = match.group(1).upper(), match.group(2).strip()
        parts = [part.strip().strip('"') for part in rest.split(",")]
        numbers = [int(part) if _NUMBER.fullmatch(part) else None for part in parts]
        if word == "CPIN":
            found = found._replace(sim=rest.upper())
        elif word == "CSQ":
            found = found._replace(csq=numbers[0])
        elif word == "CESQ" and len(parts) >= 6:
            found = found._replace(rsrq=numbers[4], rsrp=numbers[5])
        elif word == "CGPADDR" and len(parts) >= 2:
            found = found._replace(address=parts[1])
        elif word == "CGDCONT" and len(parts) >= 3:
            found = found._replace(apn=parts[2])
        elif word == "CME ERROR":
            found = found._replace(error=numbers[0])
        elif word.endswith("REG"):
            # "n,stat,...": the first number only says which reports are switched on. A report by itself begins
            # with "stat", followed, if at all, by an area code, which is text in quotes.
            asked = len(parts) > 1 and '"' not in rest.split(",")[1]
            state = numbers[1] if asked else numbers[0]
            if state is not None and found.registration not in REGISTERED:
                found = found._replace(registration=state)
    return found


def verdict(replies: Replies) -> tuple[str, str]:
    """A word and one line for what the replies say, the first obstacle on the way to an address.

    Words: sim-missing, sim-locked, sim-failure, no-radio, no-coverage, denied, searching, no-data, online, unknown.
    Source: TS 27.007 for the codes; the reading is common practice, no source.
    """
    if replies.error == 10:
        return "sim-missing", "no SIM found: seat it, or the holder is bad"
    if replies.error in (5, 11, 12, 16, 17, 18, *range(40, 48)) or (replies.sim not in (None, "READY")):
        return "sim-locked", SIM.get(replies.sim or "", "") or ERRORS.get(replies.error or 0, "SIM locked")
    if replies.error in (13, 14, 15):
        return "sim-failure", ERRORS[replies.error]
    state = replies.registration
    if state in REGISTERED:
        if replies.address in (None, ""):
            return "unknown", "registered; ask for the address (+CGPADDR) next"
        if replies.address == "0.0.0.0":
            return "no-data", "registered but no address: access point name or data plan"
        return "online", f"registered, address {replies.address}"
    if state == 3:
        return "denied", "registration denied: SIM not active, barred, or not allowed on this network"
    if state in (6, 7, 8):
        return "no-data", f"{REGISTRATION[state]}: the plan or the network gives no data"
    if replies.csq == CSQ_UNKNOWN and replies.rsrp in (None, CESQ_UNKNOWN):
        return "no-radio", "no signal figure: radio off, antenna or modem"
    if state == 4 or replies.csq == 0:
        return "no-coverage", "no coverage here: antenna, place or operator"
    if state == 2:
        strong = replies.csq is not None and CSQ_FAIR <= replies.csq <= 31
        why = "signal is there: wrong band, technology or operator" if strong else "weak signal: antenna or place"
        return "searching", f"searching for a network; {why}"
    if state == 0:
        return "no-radio", "not registered and not searching: radio off or no operator chosen"
    return "unknown", "ask for SIM state, registration and signal (+CPIN, +CEREG, +CSQ)"
