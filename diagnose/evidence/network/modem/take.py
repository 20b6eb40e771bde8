"""Readings of a modem's replies: SIM, registration, address, signal, access point name."""

from __future__ import annotations

from statistics import median

from diagnose.evidence.lines import where
from diagnose.evidence.network.modem.find import silent
from diagnose.evidence.network.modem.read import LOCK_CODES, Transcript
from diagnose.evidence.report import TakenReading
from diagnose.physics import cellular
from diagnose.source.problems import one_line

_SIM_OUTCOME = {10: "not-inserted", 11: "pin-wanted", 12: "puk-wanted", 13: "failure", 15: "failure"} | dict.fromkeys(LOCK_CODES, "network-locked")
_STATE_OUTCOME = {0: "idle", 1: "registered", 2: "searching", 3: "denied", 4: "searching", 5: "registered",
                  6: "limited", 7: "limited", 8: "limited", 9: "registered", 10: "registered"}  # fmt: skip


def take(s: Transcript, at: str, recorded: str | None) -> list[TakenReading]:
    """Every reading at an uplink; `recorded` is the access point name by the record."""
    return [*_sim(s, at), *_network(s, at), *_signal(s, at), *_apn(s, at, recorded)]


def _sim(s: Transcript, at: str) -> list[TakenReading]:
    found: list[TakenReading] = []
    if silent(s):
        why = f"{s.command_count} commands, no reply"
        return [TakenReading("modem-answers", at, "silent", why, where(s.commands))]
    if s.replies or s.results:
        found.append(TakenReading("modem-answers", at, "answers", f"{s.replies} {'reply' if s.replies == 1 else 'replies'}", ""))
    if s.sim_error is not None and s.sim_error.value in _SIM_OUTCOME:
        code = s.sim_error.value
        found.append(TakenReading("sim-state", at, _SIM_OUTCOME[code], f"error {code}: {cellular.ERRORS[code]}", where([s.sim_error.line])))
    elif s.sim is not None:
        word = str(s.sim.value)
        outcome = {"READY": "ready", "SIM PIN": "pin-wanted", "SIM PUK": "puk-wanted"}.get(word)
        if outcome is None and word.startswith("PH-"):
            outcome = "network-locked"
        if outcome:
            found.append(TakenReading("sim-state", at, outcome, f"+CPIN: {word}: {cellular.SIM[word]}", where([s.sim.line])))
    return found


def _network(s: Transcript, at: str) -> list[TakenReading]:
    found: list[TakenReading] = []
    state, address = s.state(), s.address()
    if state is not None:
        word = _STATE_OUTCOME[state.value]
        found.append(TakenReading("registration", at, word, f"state {state.value}: {cellular.REGISTRATION[state.value]}", where([state.line])))
    if address is not None:
        given = bool(address.value) and not address.value.startswith("0.0.0.0")
        text = f"address {address.value}" if given else "no address in the reply"
        found.append(TakenReading("modem-address", at, "given" if given else "none", text, where([address.line])))
    return found


def _signal(s: Transcript, at: str) -> list[TakenReading]:
    found: list[TakenReading] = []
    if s.csq:
        known = [x.value for x in s.csq if x.value != cellular.CSQ_UNKNOWN]
        # Figures of a modem jump about; the middle one stands for all. Only "unknown" throughout is none.
        middle = int(median(known)) if known else cellular.CSQ_UNKNOWN
        dbm = cellular.csq_dbm(middle)
        text = f"+CSQ {middle}" + (f": {dbm:g} dBm" if dbm is not None else ": no figure")
        text += f", middle of {len(known)} from {min(known)} to {max(known)}" if len(known) > 1 else ""
        found.append(TakenReading("modem-signal", at, str(middle), text, where(x.line for x in s.csq)))
    powers = [x.value for x in s.rsrp if x.value != cellular.CESQ_UNKNOWN]
    if powers:
        bounds = cellular.cesq_rsrp_dbm(int(median(powers)))
        if bounds is not None:
            dbm = next(b for b in bounds if b is not None)
            text = f"+CESQ reference power {dbm:g} dBm" + (f", middle of {len(powers)}" if len(powers) > 1 else "")
            found.append(TakenReading("modem-pilot-power", at, f"{dbm:g} dBm", text, where(x.line for x in s.rsrp)))
    return found


def _apn(s: Transcript, at: str, recorded: str | None) -> list[TakenReading]:
    name = s.name()
    if name is None or recorded is None:
        return []
    same = str(name.value).lower() == recorded.strip().lower()
    text = f"the modem has {name.value or 'a blank'}, the record {one_line(recorded, 80)}"
    return [TakenReading("apn-compare", at, "agrees" if same else "differs", text, where([name.line]))]
