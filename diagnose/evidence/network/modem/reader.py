"""A modem's replies as evidence: SIM, registration, access point name, address, signal.

Source: 3GPP TS 27.007; what the replies mean is in `diagnose.physics.cellular`.
"""

from __future__ import annotations

import re
from collections import deque
from functools import lru_cache
from statistics import median
from typing import IO, Any, NamedTuple

from diagnose.evidence.lines import binary, head_text, lines, where
from diagnose.evidence.reader import Asked, reader
from diagnose.evidence.report import Report, TakenReading
from diagnose.evidence.standpoint import standpoint
from diagnose.evidence.tally import Tally
from diagnose.physics import cellular
from diagnose.source.problems import one_line

KIND, TITLE = "modem", "modem replies (3GPP TS 27.007)"
MOST_CONTEXTS = 64
SAMPLES_KEPT = 1000  # signal figures over which the middle is taken

_STAMP = re.compile(r"^[\[(]?\d{2,4}[-/:.]\d\d[-/:.]\d\d[T\d :.,+Z-]{0,24}[\])]?[\s>|]{1,4}|^[<>]{1,3}\s*")
_REPLY = re.compile(r"^(\+[A-Z0-9]{2,12}(?: ERROR)?):\s?(.{0,400})$", re.IGNORECASE)
_COMMAND = re.compile(r"^AT(?:$|[+&^%$#!*A-Z0-9].{0,200}$)", re.IGNORECASE)
_RESULT = re.compile(r"^(?:OK|ERROR|CONNECT(?: \d+)?|NO CARRIER|NO DIALTONE|BUSY|NO ANSWER|RING|RDY|Call Ready|SMS Ready)$", re.IGNORECASE)
_NUMBER = re.compile(r"-?\d{1,9}")
_REG = ("+CREG", "+CGREG", "+CEREG", "+C5GREG")
_READ_BY_PHYSICS = frozenset({"+CPIN", "+CSQ", "+CESQ", "+CGPADDR", "+CGDCONT", "+CME ERROR", *_REG})
_NO_SIM = frozenset({"NOT INSERTED", "NOT READY", "ABSENT", "SIM NOT INSERTED"})
_ERROR_WORDS = {text.lower(): code for code, text in cellular.ERRORS.items()}
_LOCK_CODES = frozenset({5, *range(40, 48)})
_SIM_CODES = frozenset({10, 11, 12, 13, 14, 15, 16, 17, 18}) | _LOCK_CODES
_SIM_OUTCOME = {10: "not-inserted", 11: "pin-wanted", 12: "puk-wanted", 13: "failure", 15: "failure"} | dict.fromkeys(_LOCK_CODES, "network-locked")
_STATE_OUTCOME = {0: "idle", 1: "registered", 2: "searching", 3: "denied", 4: "searching", 5: "registered",
                  6: "limited", 7: "limited", 8: "limited", 9: "registered", 10: "registered"}  # fmt: skip


def _recognise(head: bytes, name: str) -> float:
    """By replies and commands at the beginning of lines."""
    if binary(head):
        return 0.0
    replies = commands = others = 0
    for line in head_text(head).split("\n")[:2000]:
        text = _STAMP.sub("", line[:500]).strip()
        match = _REPLY.match(text)
        if match and match.group(1).upper() in _READ_BY_PHYSICS:
            replies += 1
        elif _COMMAND.match(text) and text[2:3] in ("", "+", "I", "E"):
            commands += 1
        elif text and not _RESULT.match(text):
            others += 1
    if not replies and not commands:
        return 0.0
    share = (replies + commands) / (replies + commands + others)
    if replies + commands == 1:
        return 0.5 if share > 0.2 else 0.0
    return 0.95 if share > 0.3 else 0.6 if share > 0.05 else 0.2


class _Reply(NamedTuple):
    value: Any
    line: int


class _Transcript:
    """What the replies have said so far: the last of each kind."""

    def __init__(self) -> None:
        self.tally = Tally()
        self.sim: _Reply | None = None
        self.sim_error: _Reply | None = None
        self.error: _Reply | None = None
        self.states: dict[str, _Reply] = {}
        self.addresses: dict[int, _Reply] = {}
        self.names: dict[int, _Reply] = {}
        self.csq: deque[_Reply] = deque(maxlen=SAMPLES_KEPT)
        self.rsrp: deque[_Reply] = deque(maxlen=SAMPLES_KEPT)
        self.rsrq: _Reply | None = None
        self.operator = ""
        self.commands: list[int] = []
        self.command_count = 0
        self.replies = 0
        self.results = 0

    def line(self, number: int, text: str) -> None:
        """Take one line; count what it is not understood."""
        text = _STAMP.sub("", text).strip().strip("\0")
        if not text:
            return
        match = _REPLY.match(text)
        if match:
            self._reply(number, match.group(1).upper(), match.group(2).strip(), text)
        elif _COMMAND.match(text):
            self.command_count += 1
            self.commands = [(self.commands or [number])[0], number]
            self.tally.took()
        elif _RESULT.match(text):
            self.results += 1
            self.tally.took()
        else:
            self.tally.missed(f"line {number}", text)

    def _reply(self, number: int, word: str, rest: str, text: str) -> None:
        if word == "+COPS":
            self.replies += 1
            self.operator = one_line(rest, 80)
            self.tally.took()
            return
        if word not in _READ_BY_PHYSICS or not self._known(number, word, rest):
            self.tally.missed(f"line {number}", text)
            return
        self.replies += 1
        self.tally.took()

    def _known(self, number: int, word: str, rest: str) -> bool:
        parts = [part.strip().strip('"') for part in rest.split(",")]
        if word == "+CPIN":
            return self._pin(number, rest.upper())
        if word == "+CME ERROR":
            code = int(rest) if _NUMBER.fullmatch(rest) else _ERROR_WORDS.get(rest.lower())
            if code is None:
                return False
            seen = _Reply(code, number)
            if code in _SIM_CODES:
                self.sim_error = seen
            else:
                self.error = seen
            return True
        if word in ("+CGPADDR", "+CGDCONT"):
            return self._context(number, word, parts, rest)
        if word in _REG:
            # A report comes without the first number: "2" or "1,<area in quotes>,..."; physics reads the asked form.
            second = rest.split(",")[1].strip() if "," in rest else ""
            asked = rest if _NUMBER.fullmatch(second) else parts[0]
            state = self._physics(f"{word}: {asked}").registration
            if state is None or state not in cellular.REGISTRATION:
                return False
            self.states[word] = _Reply(state, number)
            return True
        return self._signal(number, word, rest)

    def _pin(self, number: int, word: str) -> bool:
        if word in _NO_SIM:
            self.sim_error = _Reply(10, number)
            return True
        if word not in cellular.SIM:
            return False
        self.sim = _Reply(self._physics(f"+CPIN: {word}").sim, number)
        if word == "READY":
            self.sim_error = None
        return True

    def _context(self, number: int, word: str, parts: list[str], rest: str) -> bool:
        if not _NUMBER.fullmatch(parts[0]):
            return False
        key = int(parts[0])
        found = self._physics(f"{word}: {rest}")
        table = self.addresses if word == "+CGPADDR" else self.names
        value = (found.address or "") if word == "+CGPADDR" else found.apn
        if value is None or (key not in table and len(table) >= MOST_CONTEXTS):
            return False
        table[key] = _Reply(one_line(value, 100), number)
        return True

    def _signal(self, number: int, word: str, rest: str) -> bool:
        found = self._physics(f"{word}: {rest}")
        try:
            if word == "+CSQ":
                if found.csq is None:
                    return False
                cellular.csq_dbm(found.csq)
                self.csq.append(_Reply(found.csq, number))
                return True
            if found.rsrp is None or found.rsrq is None:
                return False
            cellular.cesq_rsrp_dbm(found.rsrp)
            cellular.cesq_rsrq_db(found.rsrq)
        except ValueError:
            return False
        self.rsrp.append(_Reply(found.rsrp, number))
        self.rsrq = _Reply(found.rsrq, number)
        return True

    @staticmethod
    @lru_cache(maxsize=256)  # a modem that is asked every few seconds says the same again and again
    def _physics(line: str) -> cellular.Replies:
        """One line through the table of replies; figures that are no figures count as none."""
        if re.search(r"\d{10}|--|[^\x20-\x7e]", line.partition(":")[2]) and "+CG" not in line:
            return cellular.Replies()
        try:
            return cellular.read_replies([line])
        except ValueError:
            return cellular.Replies()

    def state(self) -> _Reply | None:
        """The registration: any network that took the modem, else the most telling other."""
        order = [self.states[w] for w in ("+CEREG", "+C5GREG", "+CGREG", "+CREG") if w in self.states]
        return next((s for s in order if s.value in cellular.REGISTERED), order[0] if order else None)

    def address(self) -> _Reply | None:
        """A usable address of any context, else an empty or zero one."""
        real = [s for s in self.addresses.values() if s.value and not s.value.startswith("0.0.0.0")]
        return real[0] if real else next(iter(self.addresses.values()), None)

    def name(self) -> _Reply | None:
        """The access point name of the context that has an address, else of the lowest."""
        held = [k for k, s in self.addresses.items() if s.value and not s.value.startswith("0.0.0.0")]
        keys = [k for k in held if k in self.names] or sorted(self.names)
        return self.names[keys[0]] if keys else None


@reader(KIND, TITLE, _recognise, ("unit", "uplink"))
def read_modem(stream: IO[bytes], asked: Asked) -> Report:
    """Read a transcript of modem replies. Figures: see docs/evidence/modem.md. Source: 3GPP TS 27.007."""
    site = asked.site
    session = _Transcript()
    for line in lines(stream):
        session.tally.cut += line.cut
        session.line(line.number, line.text)
    stand = standpoint(site, asked.name, at=asked.at)
    taken = [*_sim(session, stand.uplink), *_network(session, stand.uplink), *_levels(session, stand.uplink)]
    recorded = site.word("uplink.apn", stand.uplink_place) if site else None
    taken += _compared(session, stand.uplink, recorded)
    replies = _together(session)
    word, says = cellular.verdict(replies)
    if session.command_count >= 2 and not session.replies and not session.results:
        word, says = "silent", "commands were sent and nothing came back: port, power or modem"
    notes = (one_line(says), *((stand.note,) if stand.note else ()), *_signal_notes(session), *session.tally.notes())
    return Report(
        KIND, TITLE, notes, tuple(taken), _figures(session, replies, word),
        session.tally.understood, session.tally.not_understood, tuple(session.tally.samples),
    )  # fmt: skip


def _together(s: _Transcript) -> cellular.Replies:
    state, address, name = s.state(), s.address(), s.name()
    error = s.sim_error or s.error
    return cellular.Replies(
        s.sim.value if s.sim else None, state.value if state else None,
        s.csq[-1].value if s.csq else None, s.rsrp[-1].value if s.rsrp else None, s.rsrq.value if s.rsrq else None,
        address.value if address else None, name.value if name else None, error.value if error else None,
    )  # fmt: skip


def _sim(s: _Transcript, at: str) -> list[TakenReading]:
    silent = s.command_count >= 2 and not s.replies and not s.results
    found: list[TakenReading] = []
    if silent:
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


def _network(s: _Transcript, at: str) -> list[TakenReading]:
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


def _levels(s: _Transcript, at: str) -> list[TakenReading]:
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


def _compared(s: _Transcript, at: str, recorded: str | None) -> list[TakenReading]:
    name = s.name()
    if name is None or recorded is None:
        return []
    same = str(name.value).lower() == recorded.strip().lower()
    text = f"the modem has {name.value or 'a blank'}, the record {one_line(recorded, 80)}"
    return [TakenReading("apn-compare", at, "agrees" if same else "differs", text, where([name.line]))]


def _signal_notes(s: _Transcript) -> tuple[str, ...]:
    known = [x.value for x in s.csq if x.value != cellular.CSQ_UNKNOWN]
    if len(known) > 1 and max(known) - min(known) >= 8:
        return (f"the signal swings from {min(known)} to {max(known)} of 31: antenna connection, or something that moves before it",)
    return ()


def _figures(s: _Transcript, r: cellular.Replies, word: str) -> dict[str, Any]:
    known = [x.value for x in s.csq if x.value != cellular.CSQ_UNKNOWN]
    return {
        "verdict": word, "sim": r.sim, "registration": r.registration, "address": r.address, "apn": r.apn,
        "error": r.error, "operator": s.operator or None, "csq": {"last": r.csq, "least": min(known, default=None), "most": max(known, default=None), "readings": len(s.csq)},
        "rsrp_dbm": _first_bound(cellular.cesq_rsrp_dbm(r.rsrp) if r.rsrp is not None else None),
        "rsrq_db": _first_bound(cellular.cesq_rsrq_db(r.rsrq) if r.rsrq is not None else None),
        "commands": s.command_count, "replies": s.replies,
    }  # fmt: skip


def _first_bound(bounds: tuple[float | None, float | None] | None) -> float | None:
    return next((b for b in bounds or () if b is not None), None)
