"""What a probe of a trunk will ask, where, and how fast: from options and install record to a plan. Pure.

Sources: MODBUS over Serial Line V1.02 (addresses, characters, silence), MODBUS Application Protocol V1.1b3 (requests).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from ipaddress import IPv6Address
from typing import NamedTuple

from diagnose.evidence.reader import EvidenceError
from diagnose.physics import serial
from diagnose.site.model import Site
from diagnose.site.places import Place, ranges
from diagnose.source.problems import shown

READ_COILS, READ_INPUTS, READ_HOLDING, READ_REGISTERS, REPORT_ID, READ_IDENTITY = 1, 2, 3, 4, 0x11, 0x2B
READS = frozenset({READ_COILS, READ_INPUTS, READ_HOLDING, READ_REGISTERS, REPORT_ID, READ_IDENTITY})
"""All that a probe ever sends; 0x2B only with type 0x0E. None of them changes anything in a unit."""
FUNCTION_NAMES: Mapping[int, str] = {
    READ_COILS: "01 read coils", READ_INPUTS: "02 read discrete inputs", READ_HOLDING: "03 read holding registers",
    READ_REGISTERS: "04 read input registers", REPORT_ID: "11 report server id", READ_IDENTITY: "2B/0E read device identification",
}  # fmt: skip
SCANNED = (READ_HOLDING, READ_REGISTERS, READ_COILS, READ_INPUTS, REPORT_ID, READ_IDENTITY)
"""Functions in the order in which a unit is asked for them: the last ones are those that units know least."""
PARITIES = ("even", "odd", "none")
TCP_PORT = 502
DEFAULT_RATE, DEFAULT_ROUNDS, DEFAULT_TIMEOUT_S, DEFAULT_BIT_RATE = 5.0, 20, 1.0, 19_200
MOST_RATE, MOST_ROUNDS, MOST_TIMEOUT_S = 100.0, 10_000, 60.0
PAUSE_S = 0.02
"""Rest after the last byte of a reply, on top of the silent interval, s (common practice, no source)."""
SWEEP_TIMEOUT_S = 0.3
"""Wait for a reply in a sweep, s, on top of the frames themselves: ten times what units usually need (common practice)."""
SILENT_POLLS, SILENT_POLLS_OF_MANY, MANY = 8, 3, 32
"""Polls after which a unit that never answered is left out; of a list of more than MANY, sooner."""
SITTINGS, ASKS_EACH = 3, 3
IDENTITIES = 1 + SITTINGS * ASKS_EACH
"""How often a unit is asked who it is: in the scan, then several times running after each of the first rounds, so that
two units are noticed whether they answer by turns or by chance (by chance one is missed once in 500 times)."""


class Setting(NamedTuple):
    """How characters are sent: bits per second, parity word, stop bits."""

    bit_rate: int
    parity: str
    stop_bits: int

    def __str__(self) -> str:
        return f"{self.bit_rate} bit/s, {self.parity} parity, {self.stop_bits} stop bit{'s' if self.stop_bits > 1 else ''}"

    @property
    def character_bits(self) -> int:
        """Start, 8 data, parity, stop."""
        return 9 + (self.parity != "none") + self.stop_bits


class ReadRequest(NamedTuple):
    """A request: function, first register or coil, how many."""

    function: int
    start: int = 0
    quantity: int = 1


class ProbePlan(NamedTuple):
    """A probe to be run. Times in s, `rate` in requests per second; `host` is empty for a serial port."""

    port: str
    host: str
    tcp_port: int
    units: tuple[int, ...]
    setting: Setting
    recorded: bool  # the setting is the record's
    sweep: bool
    register: int
    register_given: bool
    rounds: int
    rate: float
    timeout_s: float

    @property
    def where(self) -> str:
        """The port or host in words."""
        return self.port or f"{self.host} port {self.tcp_port}"

    @property
    def silent_polls(self) -> int:
        """Polls after which a silent unit is left out."""
        return SILENT_POLLS if len(self.units) <= MANY else SILENT_POLLS_OF_MANY


def silence_s(setting: Setting) -> float:
    """The silent interval between frames, s. Source: MODBUS over Serial Line V1.02, 2.5.1.1."""
    return serial.t35_s(setting.bit_rate)


def rest_s(plan: ProbePlan, setting: Setting) -> float:
    """Silence that is kept between a reply and the next request, s."""
    return PAUSE_S if plan.host else PAUSE_S + silence_s(setting)


def frame_s(setting: Setting, size: int) -> float:
    """Time on the wire of so many bytes, s."""
    return size * serial.char_s(setting.bit_rate, setting.character_bits)


def read_units(text: str) -> tuple[int, ...]:
    """Addresses of `1-12` or `1,4,7-9`, in order, each once. Raises EvidenceError."""
    numbers: dict[int, None] = {}
    for part in re.split(r"[,\s]+", text.strip()):
        found = re.fullmatch(r"(\d{1,4})(?:-(\d{1,4}))?", part)
        if found is None:
            raise EvidenceError(f"--units {shown(text)} is no list of addresses; write for instance --units 1-12 or --units 1,4,7-9")
        first, last = int(found[1]), int(found[2] or found[1])
        for number in (first, last):
            if number == 0:
                raise EvidenceError("address 0 is the broadcast, which nobody answers; units have 1 to 247")
            if number not in serial.UNIT_ADDRESSES:
                raise EvidenceError(f"address {number} cannot be a unit's; units have 1 to 247")
        if first > last:
            raise EvidenceError(f"--units {shown(part)} runs backwards; write {last}-{first}")
        numbers |= dict.fromkeys(range(first, last + 1))
    return tuple(numbers)


def make_plan(options: Mapping[str, str | bool | None], site: Site | None) -> ProbePlan:
    """The plan that the options of the command line ask for; what they leave open comes from the record.

    `options` holds the option names without dashes in front, as texts. Raises EvidenceError in one line.
    """
    port, host = _text(options, "port"), _text(options, "host")
    if bool(port) == bool(host):
        raise EvidenceError("say where the trunk is: either --port PATH of a serial adapter or --host ADDRESS of a gateway")
    address, tcp_port = _host(host) if host else ("", TCP_PORT)
    listed = _text(options, "units")
    if not listed:
        raise EvidenceError("which addresses? nothing is asked unless it is named; write for instance --units 1-12")
    units = read_units(listed)
    trunk = trunk_place(site, units)
    setting, recorded = _setting(options, site, trunk)
    sweep = bool(options.get("sweep"))
    if host:
        for name in ("bit-rate", "parity", "stop-bits", "sweep"):
            if options.get(name):
                raise EvidenceError(f"--{name} belongs to a serial port; behind a gateway the gateway's own setting counts")
    timeout = site.number("trunk.timeout", trunk) if site is not None and trunk is not None else None
    return ProbePlan(
        port=port, host=address, tcp_port=tcp_port, units=units, setting=setting,
        recorded=recorded and not host, sweep=sweep,
        register=int(_number(options, "register", 0, 0, 65_535, True)),
        register_given=bool(_text(options, "register")),
        rounds=int(_number(options, "rounds", DEFAULT_ROUNDS, 1, MOST_ROUNDS, True)),
        rate=_number(options, "rate", DEFAULT_RATE, 0.01, MOST_RATE),
        timeout_s=_number(options, "timeout", timeout / 1000 if timeout else DEFAULT_TIMEOUT_S, 0.01, MOST_TIMEOUT_S),
    )  # fmt: skip


def _text(options: Mapping[str, str | bool | None], name: str) -> str:
    value = options.get(name)
    return value.strip() if isinstance(value, str) else ""


def _number(
    options: Mapping[str, str | bool | None], name: str, default: float, least: float, most: float, whole: bool = False
) -> float:
    text = _text(options, name)
    if not text:
        return default
    kind = "a whole number" if whole else "a number"
    try:
        value = float(int(text)) if whole else float(text)
    except ValueError:
        value = float("nan")
    if not least <= value <= most:
        raise EvidenceError(f"--{name} {shown(text)} cannot be used; it is {kind} from {least:g} to {most:g}")
    return value


def _host(text: str) -> tuple[str, int]:
    found = re.fullmatch(r"\[([0-9A-Fa-f:.%]+)\](?::(\d{1,5}))?|([\w.-]+)(?::(\d{1,5}))?", text)
    if found is None:
        try:
            return str(IPv6Address(text)), TCP_PORT
        except ValueError:
            raise EvidenceError(f"--host {shown(text)} is no address; write for instance --host 192.168.10.5 or --host 192.168.10.5:502") from None
    port = int(found[2] or found[4] or TCP_PORT)
    if not 1 <= port <= 65_535:
        raise EvidenceError(f"port {port} of --host cannot be; ports are 1 to 65535")
    return found[1] or found[3], port


def trunk_place(site: Site | None, units: Iterable[int]) -> Place | None:
    """The trunk of the record whose units have most of these addresses, or None."""
    if site is None or not site.trunks:
        return None
    asked = set(units)
    found = max(site.trunks, key=lambda t: len(asked & {_address(site, u) for u in t.units}))
    return Place("trunk", found.number)


def _address(site: Site, unit: int) -> int:
    number = site.number("unit.address", Place("unit", unit))
    return unit if number is None else int(number)


def _setting(options: Mapping[str, str | bool | None], site: Site | None, trunk: Place | None) -> tuple[Setting, bool]:
    """The setting to begin with, and whether bit rate and parity are those of the record."""
    parity = _text(options, "parity").lower()
    if parity and parity not in PARITIES:
        raise EvidenceError(f"--parity {shown(parity)} is unknown; it is even, odd or none")
    known_rate = site.number("trunk.bit-rate", trunk) if site is not None and trunk is not None else None
    known_parity = str(site.get("trunk.parity", trunk) or "") if site is not None and trunk is not None else ""
    rate = int(_number(options, "bit-rate", known_rate or DEFAULT_BIT_RATE, 300, 4_000_000, True))
    parity = parity or known_parity or "even"
    stops = _text(options, "stop-bits")
    if stops not in ("", "1", "2"):
        raise EvidenceError(f"--stop-bits {shown(stops)} is unknown; it is 1 or 2")
    recorded = known_rate == rate and known_parity == parity
    return Setting(rate, parity, int(stops) if stops else usual_stop_bits(parity)), recorded


def usual_stop_bits(parity: str) -> int:
    """Stop bits that make eleven bits of a character. Source: MODBUS over Serial Line V1.02, 2.5.1."""
    return 2 if parity == "none" else 1


def settings_to_try(first: Setting) -> tuple[Setting, ...]:
    """All usual settings, the given one first, then its bit rate with other parities, then rates by how usual they are.

    19200 and 9600 must be offered by every unit (MODBUS over Serial Line V1.02, 3.2); the order of the others is common practice.
    """
    usual = (19_200, 9600, 38_400, 115_200, 57_600, 4800, 2400, 1200)
    rates = dict.fromkeys((first.bit_rate, *usual))
    parities = dict.fromkeys((first.parity, *PARITIES))
    return tuple(dict.fromkeys((first, *(Setting(r, p, usual_stop_bits(p)) for r in rates for p in parities))))


def least_polls(plan: ProbePlan) -> int:
    """Requests when every unit answers: the scan, then the rounds, with the questions who it is."""
    return len(plan.units) * (len(SCANNED) + IDENTITIES - 1 + plan.rounds)


def about_s(plan: ProbePlan) -> float:
    """How long it takes when every unit answers, s; each unanswered request adds its time-out."""
    return least_polls(plan) / plan.rate


def plan_text(plan: ProbePlan) -> str:
    """What will be done, in a sentence."""
    how = "" if plan.host else f" at {plan.setting}"
    tail = ", other settings where nobody answers" if plan.sweep else ""
    return (
        f"Asks address{'es' if len(plan.units) > 1 else ''} {ranges(plan.units)} over "
        f"{plan.where}{how}{tail}; {plan.rounds} rounds, at most {plan.rate:g} requests a second."
    )
