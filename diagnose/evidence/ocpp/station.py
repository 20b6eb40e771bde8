"""What a station and its back office have said to each other, folded message by message.

Nothing here knows of checks and places; `log` makes answers of it. Sources: OCPP 1.6 edition 2, OCPP 2.0.1 Part 2.
"""

from __future__ import annotations

from collections import Counter, OrderedDict, deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from diagnose.evidence.ocpp.limits import Profiles
from diagnose.evidence.ocpp.messages import (
    ACTIONS,
    CALL,
    FROM_STATION,
    RESULT,
    V16,
    V201,
    LineContext,
    Message,
    number,
    rows,
    stamp,
    text,
)
from diagnose.physics import ocpp

MOST_CONNECTORS, MOST_OPEN, MOST_SEEN, KEPT = 300, 500, 1000, 200
CHANGES_KEPT = 64
GAP_FACTOR = 2.5
"""Silence of so many heartbeat intervals is a gap (common practice, no source)."""
ENERGY = "Energy.Active.Import.Register"
STUCK_S = 600.0
"""An energy register that stands still for so long while a car charges is stuck, s (common practice, no source)."""
COMPONENTS: Mapping[str, str] = {
    "RCD": "GroundFailure", "GroundIsolationProtection": "GroundFailure", "OverCurrentProtection": "OverCurrentFailure",
    "PowerContactor": "PowerSwitchFailure", "ConnectorPlugRetentionLock": "ConnectorLockFailure",
    "EVRetentionLock": "ConnectorLockFailure", "TokenReader": "ReaderFailure", "FiscalMetering": "PowerMeterFailure",
    "ControlMetering": "PowerMeterFailure", "TemperatureSensor": "HighTemperature", "CPPWMController": "EVCommunicationError",
    "ConnectedEV": "EVCommunicationError", "ElectricalFeed": "UnderVoltage", "DataLink": "WeakSignal",
    "Controller": "InternalError", "ChargingStation": "InternalError", "EmergencyStopSensor": "EmergencyStop",
}  # fmt: skip
"""Components of 2.0.1 events as the error codes of 1.6 (OCPP 2.0.1 Part 2, appendix 3; from memory)."""
ALARMS = frozenset({"Problem", "Fault", "Faulted", "Tripped", "Overload", "OverCurrent", "ACVoltage", "Active"})


class Change(NamedTuple):
    """A connector's state as reported."""

    status: str
    error: str
    time: float | None
    line: int
    info: str


@dataclass
class Connector:
    """One connector: its states, meter and session."""

    changes: deque[Change] = field(default_factory=lambda: deque(maxlen=CHANGES_KEPT))
    count: int = 0
    alarm: Change | None = None  # the last state with an error code
    charging: str = ""  # charging state of 2.0.1
    seen: list[str] = field(default_factory=list)  # states since the car came
    available: bool | None = None
    available_line: int = 0
    reserved: tuple[float, float | None, int] | None = None  # reservation, end, line
    offered: tuple[float, int] | None = None
    register: deque[tuple[float | None, float, int]] = field(default_factory=lambda: deque(maxlen=60))

    @property
    def last(self) -> Change | None:
        """The last state."""
        return self.changes[-1] if self.changes else None


@dataclass
class ChargeSession:
    """A transaction. Energy in Wh, times in s since 1970."""

    connector: str
    id: str
    line: int
    began: float | None
    start_wh: float | None = None
    last_wh: float | None = None
    state: str = ""
    reason: str = ""
    end_line: int = 0
    ended: float | None = None

    @property
    def energy_wh(self) -> float | None:
        """Energy delivered, where start and end are known."""
        return None if self.start_wh is None or self.last_wh is None else self.last_wh - self.start_wh


class Boot(NamedTuple):
    """A boot message with its answer; `status` is empty until there is one."""

    line: int
    time: float | None
    reason: str
    who: str
    status: str
    interval: float | None


class Link(NamedTuple):
    """The connection came up or went down; `idle_s` is the silence before it went."""

    up: bool
    time: float | None
    code: int | None
    line: int
    idle_s: float | None
    replaced: bool


class Open(NamedTuple):
    """A request that waits for its answer."""

    action: str
    payload: Mapping[str, Any]
    time: float | None
    line: int


class Station:
    """The fold of one station's messages."""

    def __init__(self, identity: str) -> None:
        self.identity = identity
        self.version = ""
        self.connectors: dict[str, Connector] = {}
        self.boots: deque[Boot] = deque(maxlen=KEPT)
        self.boot_count = 0
        self.sessions: deque[ChargeSession] = deque(maxlen=50)
        self.session_count = 0
        self.running: OrderedDict[str, ChargeSession] = OrderedDict()
        self.verdicts: deque[tuple[str, int]] = deque(maxlen=KEPT)
        self.verdict_counts: Counter[str] = Counter()
        self.profiles = Profiles()
        self.composite: dict[int, tuple[float, bool, int]] = {}
        self.errors: Counter[str] = Counter()
        self.error_lines: list[int] = []
        self.links: deque[Link] = deque(maxlen=KEPT * 5)
        self.link_count = 0
        self.firmware: tuple[str, float | None, int] | None = None
        self.settings: dict[str, tuple[str, int]] = {}
        self.card_list: tuple[str, int] | None = None
        self.remote_start: tuple[bool, int] | None = None
        self.external_limit: tuple[str, int] | None = None
        self.alarms: Counter[str] = Counter()
        self.volts: list[float] = []
        self.offsets: deque[float] = deque(maxlen=20)
        self.host_offsets: deque[float] = deque(maxlen=20)
        self.gaps: list[tuple[float, int]] = []
        self.gap_count = 0
        self.longest_gap = 0.0
        self.messages = self.unanswered = self.orphans = self.twice = 0
        self.first_time: float | None = None
        self.last_time: float | None = None
        self.now: float | None = None  # best idea of the right time, UTC
        self._reference: tuple[float, float | None] | None = None  # right time and log time at the last answer with a time
        self._open: OrderedDict[str, Open] = OrderedDict()
        self._seen: OrderedDict[tuple[int, str, int], None] = OrderedDict()
        self._votes: Counter[bool] = Counter()

    # ---- the way in
    def take(self, m: Message, c: LineContext, line: int) -> str:
        """Take a message; what is wrong with it, or an empty text."""
        self.messages += 1
        self._clock(c, line)
        if m.kind == CALL:
            held = self._open.get(m.id)
            if held is not None and held.action == m.action and held.payload == m.payload:
                self.twice += 1  # a log that holds both ends has everything twice
                return ""
            return self._call(m, c, line)
        key = (m.kind, m.id, hash((m.action, repr(m.payload)[:2000])))
        if m.id not in self._open and key in self._seen:
            self.twice += 1
            return ""
        self._seen[key] = None
        if len(self._seen) > MOST_SEEN:
            self._seen.popitem(last=False)
        asked = self._open.pop(m.id, None)
        if asked is None:
            self.orphans += 1
            return f"an answer to no request in this log: id {m.id}"
        if m.kind == RESULT:
            if c.sent is not None:
                self._votes[(asked.action in FROM_STATION) != c.sent] += 1
            self._result(asked, m.payload, c, line)
            return ""
        _count(self.errors, f"{asked.action}: {m.action}")
        self.error_lines[1:] = [line] if self.error_lines else []
        self.error_lines = self.error_lines or [line]
        if m.action not in ocpp.CALL_ERRORS_16 and m.action not in ocpp.CALL_ERRORS_201:
            return f"error code {m.action} is in no table"
        return ""

    def _clock(self, c: LineContext, line: int) -> None:
        if c.time is None:
            return
        self.first_time = c.time if self.first_time is None else self.first_time
        interval = next((b.interval for b in reversed(self.boots) if b.status == "Accepted"), None)
        if self.last_time is not None and interval and c.time - self.last_time > GAP_FACTOR * interval:
            self.gap_count += 1
            self.longest_gap = max(self.longest_gap, c.time - self.last_time)
            if len(self.gaps) < KEPT:
                self.gaps.append((c.time - self.last_time, line))
        self.last_time = c.time
        if self._reference is not None and self._reference[1] is not None:
            self.now = self._reference[0] + (c.time - self._reference[1])
        elif c.zoned:
            self.now = c.time

    def _call(self, m: Message, c: LineContext, line: int) -> str:
        known = [v for v in (V16, V201) if m.action in ACTIONS[v]]
        if not known:
            return f"request {m.action} is in no version"
        if not self.version:
            self.version = known[0] if len(known) == 1 else _version(m)
        if c.sent is not None:
            self._votes[(m.action in FROM_STATION) == c.sent] += 1
        self._open[m.id] = Open(m.action, m.payload, c.time, line)
        if len(self._open) > MOST_OPEN:
            self._open.popitem(last=False)
            self.unanswered += 1
        handler = getattr(self, f"_on_{m.action}", None)
        if handler is not None:
            handler(m.payload, c, line)
        return ""

    def _result(self, asked: Open, answer: Mapping[str, Any], c: LineContext, line: int) -> None:
        handler = getattr(self, f"_after_{asked.action}", None)
        if handler is not None:
            handler(asked.payload, answer, c, line)

    @property
    def written_by_station(self) -> bool | None:
        """Whether the log is the station's own, by its direction marks."""
        if not self._votes:
            return None
        return self._votes[True] > self._votes[False]

    @property
    def waiting(self) -> int:
        """Requests without an answer so far."""
        return self.unanswered + len(self._open)

    def connector(self, key: str) -> Connector:
        """The connector of that name, made when new."""
        if key not in self.connectors and len(self.connectors) >= MOST_CONNECTORS:
            return Connector()
        return self.connectors.setdefault(key, Connector())

    # ---- time
    def _right_time(self, answer: Mapping[str, Any], c: LineContext) -> None:
        when = stamp(answer, "currentTime")
        if when is None:
            return
        self._reference, self.now = (when, c.time), when
        if c.time is not None and c.zoned:
            self.host_offsets.append(c.time - when)

    def _stamped(self, when: float | None, c: LineContext) -> None:
        """A time that the station's own clock gave, against the back office's."""
        if when is None or self._reference is None or not self._accepted():
            return
        right, logged = self._reference
        if logged is not None and c.time is not None:
            right += c.time - logged
        elif abs(when - right) < 86_400:
            return  # without dates in the log only a clock that is days off can be told
        self.offsets.append(when - right)

    def _accepted(self) -> bool:
        return any(b.status == "Accepted" for b in self.boots)

    # ---- boot, heartbeat
    def _on_BootNotification(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        inner = p.get("chargingStation")
        who = " ".join(x for x in (
            text(p, "chargePointModel") or text(inner, "model"),
            text(p, "chargePointSerialNumber") or text(p, "chargeBoxSerialNumber") or text(inner, "serialNumber"),
        ) if x)  # fmt: skip
        self.boot_count += 1
        self.boots.append(Boot(line, c.time, text(p, "reason"), who, "", None))
        self.version = _version(Message(CALL, "", "BootNotification", p, "")) or self.version

    def _after_BootNotification(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        waiting = next((n for n in range(len(self.boots) - 1, -1, -1) if not self.boots[n].status), None)
        status = text(a, "status")
        if waiting is not None and status in ocpp.BOOT:
            self.boots[waiting] = self.boots[waiting]._replace(status=status, interval=number(a, "interval"), line=line)
        self._right_time(a, c)

    def _after_Heartbeat(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        self._right_time(a, c)

    # ---- states
    def _on_StatusNotification(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        status = text(p, "status") or text(p, "connectorStatus")
        key = self._key(p)
        if not status or key is None:
            return
        when = stamp(p, "timestamp")
        self._stamped(when, c)
        error = text(p, "errorCode") or "NoError"
        info = " ".join(x for x in (text(p, "info"), text(p, "vendorErrorCode")) if x)
        self._state(key, Change(status, error, when if when is not None else c.time, line, info))

    def _state(self, key: str, change: Change) -> None:
        connector = self.connector(key)
        connector.count += 1
        connector.changes.append(change)
        if change.error != "NoError":
            connector.alarm = change
            _count(self.alarms, change.error)
        if change.status in ("Available", "Unavailable"):
            connector.charging = ""
        if change.status in ("Preparing", "Occupied") and (not connector.seen or connector.seen[-1] in ("Available", "Finishing")):
            connector.seen = []
        if len(connector.seen) < CHANGES_KEPT and (not connector.seen or connector.seen[-1] != change.status):
            connector.seen.append(change.status)

    def _key(self, p: Mapping[str, Any]) -> str | None:
        """`2` of 1.6, `2.1` (EVSE and connector) of 2.0.1."""
        evse = p.get("evse")
        if isinstance(evse, dict):
            one, two = number(evse, "id"), number(evse, "connectorId")
            return None if one is None else f"{int(one)}.{int(two) if two is not None else 1}"
        one, two = number(p, "evseId"), number(p, "connectorId")
        if one is not None:
            return f"{int(one)}.{int(two) if two is not None else 1}"
        return None if two is None else str(int(two))

    def _on_NotifyEvent(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        for event in rows(p, "eventData"):
            component, variable = text(event, "component", "name"), text(event, "variable", "name")
            value = text(event, "actualValue").lower()
            code = COMPONENTS.get(component)
            if code is None or variable not in ALARMS or value in ("false", "0", "") or event.get("cleared") is True:
                continue
            inner = event.get("component")
            key = self._key(inner) if isinstance(inner, dict) else None
            connector = self.connector(key or "1.1")
            info = " ".join(x for x in (component, text(event, "techCode"), text(event, "techInfo")) if x)
            connector.alarm = Change(connector.last.status if connector.last else "", code, stamp(event, "timestamp"), line, info)
            _count(self.alarms, code)

    # ---- who may charge
    def _verdict(self, status: str, line: int) -> None:
        if status:
            self.verdicts.append((status, line))
            _count(self.verdict_counts, status)

    def _after_Authorize(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        self._verdict(text(a, "idTagInfo", "status") or text(a, "idTokenInfo", "status"), line)

    # ---- sessions of 1.6
    def _after_StartTransaction(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        self._verdict(text(a, "idTagInfo", "status"), line)
        ident, key = number(a, "transactionId"), self._key(p)
        if ident is not None and key is not None:
            session = self._begin(str(int(ident)), key, c, line)
            session.start_wh = number(p, "meterStart")
        if number(p, "reservationId") is not None and key is not None:
            self.connector(key).reserved = None

    def _begin(self, ident: str, key: str, c: LineContext, line: int) -> ChargeSession:
        if ident not in self.running:
            self.session_count += 1
            self.running[ident] = ChargeSession(key, ident, line, self.now if self.now is not None else c.time)
            if len(self.running) > MOST_CONNECTORS:
                self.running.popitem(last=False)
        return self.running[ident]

    def _on_StopTransaction(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        ident = number(p, "transactionId")
        if ident is None:
            return
        session = self.running.pop(str(int(ident)), None)
        if session is None:
            self.session_count += 1
            session = ChargeSession("", str(int(ident)), line, None)
        session.last_wh = number(p, "meterStop")
        # Without a reason the driver has stopped it himself (OCPP 1.6 edition 2, 6.49).
        self._finish(session, text(p, "reason") or "Local", c, line)

    def _finish(self, session: ChargeSession, reason: str, c: LineContext, line: int) -> None:
        session.reason, session.end_line, session.ended = reason, line, self.now if self.now is not None else c.time
        connector = self.connectors.get(session.connector)
        if connector is not None and connector.last is not None and not session.state:
            session.state = connector.last.status
        self.sessions.append(session)
        if session.connector:
            self.profiles.end_transaction(int(session.connector.split(".")[0]))

    def _after_StopTransaction(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        status = text(a, "idTagInfo", "status")
        if status and status != "Accepted":
            self._verdict(status, line)

    def _after_RemoteStartTransaction(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        self.remote_start = (text(a, "status") == "Accepted", line)

    _after_RequestStartTransaction = _after_RemoteStartTransaction

    # ---- sessions of 2.0.1
    def _on_TransactionEvent(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        ident, key = text(p, "transactionInfo", "transactionId"), self._key(p)
        if not ident:
            return
        if p.get("offline") is not True:
            self._stamped(stamp(p, "timestamp"), c)
        session = self.running.get(ident) or self._begin(ident, key or "", c, line)
        session.connector = session.connector or key or ""
        state = text(p, "transactionInfo", "chargingState")
        if state:
            session.state = state
            self.connector(session.connector or "1.1").charging = state
        self._meter(session.connector or "1.1", p, c, line, session)
        if text(p, "eventType") == "Ended":
            del self.running[ident]
            self._finish(session, text(p, "transactionInfo", "stoppedReason") or "Local", c, line)
            self.connector(session.connector or "1.1").charging = ""

    def _after_TransactionEvent(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        self._verdict(text(a, "idTokenInfo", "status"), line)

    # ---- meter
    def _on_MeterValues(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        key = self._key(p)
        if key is None:
            return
        session = next((s for s in reversed(self.running.values()) if s.connector == key), None)
        self._meter(key, p, c, line, session)

    def _meter(self, key: str, p: Mapping[str, Any], c: LineContext, line: int, session: ChargeSession | None) -> None:
        connector = self.connector(key)
        charging = connector.charging == "Charging" or (connector.last is not None and connector.last.status == "Charging")
        for row in rows(p, "meterValue"):
            when = stamp(row, "timestamp")
            for sample in rows(row, "sampledValue"):
                value, measurand = number(sample, "value"), text(sample, "measurand") or ENERGY
                if value is None:
                    continue
                unit = text(sample, "unit") or text(sample, "unitOfMeasure", "unit")
                power = number(sample, "unitOfMeasure", "multiplier")
                value *= (1000 if unit in ("kWh", "kW") else 1) * 10.0 ** min(6, max(-6, int(power or 0)))
                if measurand == ENERGY and not text(sample, "phase"):
                    if session is not None:
                        session.start_wh = value if session.start_wh is None else session.start_wh
                        session.last_wh = value
                    if charging:
                        connector.register.append((when if when is not None else c.time, value, line))
                elif measurand == "Current.Offered":
                    connector.offered = (value, line)
                elif measurand == "Voltage" and text(sample, "phase") in ("", "L1", "L1-N", "L2-N", "L3-N"):
                    known = self.volts or [value, value]
                    self.volts = [min(known[0], value), max(known[1], value)]

    # ---- availability, reservation, firmware, settings
    def _after_ChangeAvailability(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        if text(a, "status") not in ("Accepted", "Scheduled"):
            return
        kind = text(p, "type") or text(p, "operationalStatus")
        key = self._key(p) or "0"
        if kind in ("Inoperative", "Operative"):
            connector = self.connector(key)
            connector.available, connector.available_line = kind == "Operative", line

    def _after_ReserveNow(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        ident = number(p, "reservationId")
        ident = number(p, "id") if ident is None else ident
        if text(a, "status") == "Accepted" and ident is not None:
            ends = stamp(p, "expiryDate")
            ends = stamp(p, "expiryDateTime") if ends is None else ends
            self.connector(self._key(p) or "0").reserved = (ident, ends, line)

    def _after_CancelReservation(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        if text(a, "status") == "Accepted":
            ident = number(p, "reservationId")
            for connector in self.connectors.values():
                if connector.reserved is not None and connector.reserved[0] == ident:
                    connector.reserved = None

    def _on_FirmwareStatusNotification(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        status = text(p, "status")
        if status:
            self.firmware = (status, self.now if self.now is not None else c.time, line)

    _on_SignedFirmwareStatusNotification = _on_FirmwareStatusNotification

    def _after_SendLocalList(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        self.card_list = (text(a, "status"), line)

    def _after_GetConfiguration(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        for row in rows(a, "configurationKey"):
            self._setting(text(row, "key"), text(row, "value"), line)

    def _after_ChangeConfiguration(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        if text(a, "status") == "Accepted":
            self._setting(text(p, "key"), text(p, "value"), line)

    def _after_GetVariables(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        for row in rows(a, "getVariableResult"):
            if text(row, "attributeStatus") == "Accepted":
                self._setting(text(row, "variable", "name"), text(row, "attributeValue"), line)

    def _after_SetVariables(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        for asked, row in zip(rows(p, "setVariableData"), rows(a, "setVariableResult"), strict=False):
            if text(row, "attributeStatus") == "Accepted":
                self._setting(text(asked, "variable", "name"), text(asked, "attributeValue"), line)

    def _setting(self, key: str, value: str, line: int) -> None:
        if key == "WebSocketPingInterval":
            self.settings[key] = (value, line)

    # ---- limits
    def _after_SetChargingProfile(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        at = number(p, "connectorId")
        at = number(p, "evseId") if at is None else at
        if text(a, "status") == "Accepted" and at is not None:
            raw = p.get("csChargingProfiles")
            self.profiles.put(int(at), p.get("chargingProfile") if raw is None else raw, self.now, line)

    def _after_ClearChargingProfile(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        if text(a, "status") == "Accepted":
            self.profiles.clear(p)
            self.composite.clear()

    def _after_GetCompositeSchedule(self, p: Mapping[str, Any], a: Mapping[str, Any], c: LineContext, line: int) -> None:
        at = next((n for n in (number(p, k) for k in ("connectorId", "evseId")) if n is not None), None)
        for schedule in rows(a, "chargingSchedule") if "chargingSchedule" in a else rows(a, "schedule"):
            first = next(rows(schedule, "chargingSchedulePeriod"), None)
            limit = number(first, "limit")
            if at is not None and limit is not None and len(self.composite) < MOST_CONNECTORS:
                watts = text(schedule, "chargingRateUnit") == "W"
                self.composite[int(at)] = (limit, watts, line)

    def _on_NotifyChargingLimit(self, p: Mapping[str, Any], c: LineContext, line: int) -> None:
        self.external_limit = (text(p, "chargingLimit", "chargingLimitSource") or "unknown", line)

    # ---- the connection
    def link(self, up: bool, code: int | None, c: LineContext, line: int, replaced: bool) -> None:
        """The connection came up or went down."""
        idle = None
        if not up and c.time is not None and self.last_time is not None:
            idle = c.time - self.last_time
        if up and self.links and self.links[-1].up and self.links[-1].time == c.time:
            return  # one event told in two lines
        if not up and self.links and not self.links[-1].up:
            before = self.links[-1]
            if before.time == c.time or before.line == line - 1:
                self.links[-1] = before._replace(code=before.code or code, replaced=before.replaced or replaced)
                return
        self.link_count += 1
        self.links.append(Link(up, c.time, code, line, idle, replaced))


def _count(counter: Counter[str], key: str) -> None:
    if key in counter or len(counter) < KEPT:
        counter[key] += 1


def _version(m: Message) -> str:
    """The version of a request that both have, by its members."""
    p = m.payload
    if m.action == "BootNotification":
        return V201 if "chargingStation" in p else V16 if "chargePointVendor" in p else ""
    if m.action == "StatusNotification":
        return V201 if "connectorStatus" in p else V16
    if m.action in ("Authorize", "MeterValues"):
        return V201 if "idToken" in p or "evseId" in p else V16
    return ""
