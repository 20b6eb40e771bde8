"""From the lines of a transcript to what a modem's replies have said so far. Source: 3GPP TS 27.007.
"""

from __future__ import annotations

import re
from collections import deque
from functools import lru_cache
from typing import Any, NamedTuple

from diagnose.evidence.tally import Tally
from diagnose.physics import cellular
from diagnose.source.problems import one_line

MOST_CONTEXTS = 64
SAMPLES_KEPT = 1000  # signal figures over which the middle is taken

STAMP = re.compile(r"^[\[(]?\d{2,4}[-/:.]\d\d[-/:.]\d\d[T\d :.,+Z-]{0,24}[\])]?[\s>|]{1,4}|^[<>]{1,3}\s*")
REPLY = re.compile(r"^(\+[A-Z0-9]{2,12}(?: ERROR)?):\s?(.{0,400})$", re.IGNORECASE)
COMMAND = re.compile(r"^AT(?:$|[+&^%$#!*A-Z0-9].{0,200}$)", re.IGNORECASE)
RESULT = re.compile(r"^(?:OK|ERROR|CONNECT(?: \d+)?|NO CARRIER|NO DIALTONE|BUSY|NO ANSWER|RING|RDY|Call Ready|SMS Ready)$", re.IGNORECASE)
_NUMBER = re.compile(r"-?\d{1,9}")
_REG = ("+CREG", "+CGREG", "+CEREG", "+C5GREG")
READ_BY_PHYSICS = frozenset({"+CPIN", "+CSQ", "+CESQ", "+CGPADDR", "+CGDCONT", "+CME ERROR", *_REG})
_NO_SIM = frozenset({"NOT INSERTED", "NOT READY", "ABSENT", "SIM NOT INSERTED"})
_ERROR_WORDS = {text.lower(): code for code, text in cellular.ERRORS.items()}
LOCK_CODES = frozenset({5, *range(40, 48)})
_SIM_CODES = frozenset({10, 11, 12, 13, 14, 15, 16, 17, 18}) | LOCK_CODES


class ModemReply(NamedTuple):
    value: Any
    line: int


class Transcript:
    """What the replies have said so far: the last of each kind."""

    def __init__(self) -> None:
        self.tally = Tally()
        self.sim: ModemReply | None = None
        self.sim_error: ModemReply | None = None
        self.error: ModemReply | None = None
        self.states: dict[str, ModemReply] = {}
        self.addresses: dict[int, ModemReply] = {}
        self.names: dict[int, ModemReply] = {}
        self.csq: deque[ModemReply] = deque(maxlen=SAMPLES_KEPT)
        self.rsrp: deque[ModemReply] = deque(maxlen=SAMPLES_KEPT)
        self.rsrq: ModemReply | None = None
        self.operator = ""
        self.commands: list[int] = []
        self.command_count = 0
        self.replies = 0
        self.results = 0

    def line(self, number: int, text: str) -> None:
        """Take one line; count what it is not understood."""
        text = STAMP.sub("", text).strip().strip("\0")
        if not text:
            return
        match = REPLY.match(text)
        if match:
            self._reply(number, match.group(1).upper(), match.group(2).strip(), text)
        elif COMMAND.match(text):
            self.command_count += 1
            self.commands = [(self.commands or [number])[0], number]
            self.tally.took()
        elif RESULT.match(text):
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
        if word not in READ_BY_PHYSICS or not self._known(number, word, rest):
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
            seen = ModemReply(code, number)
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
            self.states[word] = ModemReply(state, number)
            return True
        return self._signal(number, word, rest)

    def _pin(self, number: int, word: str) -> bool:
        if word in _NO_SIM:
            self.sim_error = ModemReply(10, number)
            return True
        if word not in cellular.SIM:
            return False
        self.sim = ModemReply(self._physics(f"+CPIN: {word}").sim, number)
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
        table[key] = ModemReply(one_line(value, 100), number)
        return True

    def _signal(self, number: int, word: str, rest: str) -> bool:
        found = self._physics(f"{word}: {rest}")
        try:
            if word == "+CSQ":
                if found.csq is None:
                    return False
                cellular.csq_dbm(found.csq)
                self.csq.append(ModemReply(found.csq, number))
                return True
            if found.rsrp is None or found.rsrq is None:
                return False
            cellular.cesq_rsrp_dbm(found.rsrp)
            cellular.cesq_rsrq_db(found.rsrq)
        except ValueError:
            return False
        self.rsrp.append(ModemReply(found.rsrp, number))
        self.rsrq = ModemReply(found.rsrq, number)
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

    def state(self) -> ModemReply | None:
        """The registration: any network that took the modem, else the most telling other."""
        order = [self.states[w] for w in ("+CEREG", "+C5GREG", "+CGREG", "+CREG") if w in self.states]
        return next((s for s in order if s.value in cellular.REGISTERED), order[0] if order else None)

    def address(self) -> ModemReply | None:
        """A usable address of any context, else an empty or zero one."""
        real = [s for s in self.addresses.values() if s.value and not s.value.startswith("0.0.0.0")]
        return real[0] if real else next(iter(self.addresses.values()), None)

    def name(self) -> ModemReply | None:
        """The access point name of the context that has an address, else of the lowest."""
        held = [k for k, s in self.addresses.items() if s.value and not s.value.startswith("0.0.0.0")]
        keys = [k for k in held if k in self.names] or sorted(self.names)
        return self.names[keys[0]] if keys else None
