"""Readings of a station's messages."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any, NamedTuple

from diagnose.evidence.lines import where
from diagnose.evidence.ocpp.find import (
    JUMPS,
    JUMPS_S,
    RUNNING,
    Limit,
    clock_offset_s,
    end_word,
    firmware_word,
    flurry_of,
    limits_of,
    meter_word,
    setting_of,
    spacing,
    state_of,
    unit_of,
)
from diagnose.evidence.ocpp.messages import V201
from diagnose.evidence.ocpp.say import figures, says
from diagnose.evidence.ocpp.station import (
    ChargeSession,
    Station,
)
from diagnose.evidence.report import TakenReading
from diagnose.evidence.standpoint import Standpoint
from diagnose.physics import ocpp
from diagnose.site.model import Site
from diagnose.source.problems import one_line

LEAST_AMPS = 6.0
"""Below this the pilot offers no current at all (IEC 61851-1, annex A)."""
SAME_SHARE = 0.05
"""Two currents nearer than this are the same (common practice, no source)."""
CODE = {
    "NoError": "no-error", "WeakSignal": "weak-signal", "LocalListConflict": "list-conflict",
    "EVCommunicationError": "vehicle-communication", "ReaderFailure": "reader-failure", "PowerMeterFailure": "meter-failure",
    "ConnectorLockFailure": "lock-failure", "HighTemperature": "high-temperature", "UnderVoltage": "voltage",
    "OverVoltage": "voltage", "OverCurrentFailure": "over-current", "PowerSwitchFailure": "power-switch",
    "InternalError": "internal", "ResetFailure": "internal", "OtherError": "internal", "GroundFailure": "ground-failure",
    "EmergencyStop": "emergency-stop",
}  # fmt: skip
CARD = {
    "Blocked": "blocked-or-expired", "Expired": "blocked-or-expired", "NoCredit": "blocked-or-expired", "Invalid": "not-listed",
    "Unknown": "not-listed", "NotAtThisLocation": "other-group", "NotAllowedTypeEVSE": "other-group", "NotAtThisTime": "other-group",
    "ConcurrentTx": "in-use",
}  # fmt: skip
"""Why a card is refused (OCPP 1.6 edition 2, 7.4; OCPP 2.0.1 Part 2, AuthorizationStatusEnumType)."""
REFUSES = {
    "NotImplemented": "message-not-known", "NotSupported": "message-not-known", "MessageTypeNotSupported": "message-not-known",
    "FormationViolation": "message-malformed", "FormatViolation": "message-malformed", "ProtocolError": "message-malformed",
    "PropertyConstraintViolation": "message-malformed", "TypeConstraintViolation": "message-malformed",
    "OccurenceConstraintViolation": "message-malformed", "OccurrenceConstraintViolation": "message-malformed",
    "RpcFrameworkError": "message-malformed", "InternalError": "peer-failed", "GenericError": "peer-failed",
    "SecurityError": "not-allowed",
}  # fmt: skip
"""Error replies (OCPP-J 1.6, table 7; OCPP 2.0.1 Part 4, table 8); the grouping is common practice."""
OFTEN_REFUSED = 2  # one error reply proves little
LIMIT_FROM = {"EMS": "from-site", "SO": "from-grid"}
"""Who sets a limit (OCPP 2.0.1 Part 2, ChargingLimitSourceEnumType); CSO is the back office itself."""
CLOSES = {1000: "steady", 1001: "going-away", 1002: "protocol", 1003: "protocol", 1007: "protocol", 1008: "policy", 1011: "server-error",
          1006: "lost", 1005: "lost"}  # fmt: skip


class StationFindings(NamedTuple):
    """What a station's part of the log says."""

    says: tuple[str, ...]
    taken: tuple[TakenReading, ...]
    figures: dict[str, Any]


def take_station(
    s: Station, site: Site | None, stand: Standpoint, status: tuple[int, int] | None, no_version: int | None, tls: tuple[str, int] | None
) -> StationFindings:
    """Answers, remarks and figures for one station; places from `stand` and the connector numbers."""
    limits = limits_of(s, site, stand)
    taken = [
        *_boot(s, stand, status), *_connectors(s, site, stand), *_cards(s, site, stand), *_sessions(s, site, stand),
        *_availability(s, site, stand), *_profiles(s, site, stand, limits), *_offered(s, site, stand), *_meter(s, site, stand),
        *_connection(s, stand), *_handshake(stand, status, no_version, tls, s), *_clock(s, stand), *_settings(s, stand),
        *_refusals(s, stand), *_outside_limit(s, stand),
    ]  # fmt: skip
    return StationFindings(tuple(one_line(x) for x in says(s)), tuple(taken), figures(s, limits))


# ---- boot and connection
def _boot(s: Station, stand: Standpoint, status: tuple[int, int] | None) -> list[TakenReading]:
    answered = [b for b in s.boots if b.status]
    taken = []
    if answered:
        last = answered[-1]
        meaning = ocpp.BOOT[last.status]
        taken.append(TakenReading("boot-answer", stand.unit, last.status.lower(), f"{last.status}: {meaning.says}", where([last.line])))
    elif not s.messages and status and status[0] in (401, 403, 404):
        taken.append(TakenReading("boot-answer", stand.unit, "no-boot-message", "the connection does not get that far", where([status[1]])))
    restarts = [b for b in s.boots if b.reason in ("PowerUp", "Watchdog")]
    if len(restarts) >= 3:
        names = Counter(b.reason for b in restarts)
        text = ", ".join(f"{n} × {r}: {ocpp.BOOT_REASONS[r]}" for r, n in sorted(names.items()))
        taken.append(TakenReading("unit-power", stand.unit, "restarts", text, where(b.line for b in restarts)))
    names_seen = [b.who for b in s.boots if b.who]
    changes = [a for a, b in pairwise(names_seen) if a != b]
    if len(changes) >= 2 and len(set(names_seen)) >= 2:
        text = f"boot messages of {len(set(names_seen))} different devices in turns: {one_line(', '.join(sorted(set(names_seen))[:3]), 200)}"
        taken.append(TakenReading("identity-holders", stand.unit, "two", text, where(b.line for b in s.boots)))
    return taken


def _handshake(
    stand: Standpoint, status: tuple[int, int] | None, no_version: int | None, tls: tuple[str, int] | None, s: Station
) -> list[TakenReading]:
    if no_version is not None:
        return [TakenReading("handshake-record", stand.unit, "closed-no-version", "no version in common", where([no_version]))]
    if tls is not None and not s.messages:
        found = [TakenReading("connect-step", stand.uplink, "stops-at-tls", f"the TLS handshake fails: {tls[0]}", where([tls[1]]))]
        if tls[0] != "cut-off":
            found.append(TakenReading("station-tls-error", stand.uplink, tls[0], "the log's own reason", where([tls[1]])))
        return found
    if status is None:
        return []
    code, line = status
    word = {101: "accepted", 401: "not-authorised-401", 403: "refused-403", 404: "unknown-404"}.get(code)
    if code >= 500:
        word = "server-error"
    return [TakenReading("handshake-record", stand.unit, word, f"answered {code}: {ocpp.handshake(code).says}", where([line]))] if word else []


def _connection(s: Station, stand: Standpoint) -> list[TakenReading]:
    taken = []
    downs = [x for x in s.links if not x.up]
    if downs:
        last = downs[-5:]
        words = Counter("replaced" if x.replaced else CLOSES.get(x.code or 1006, "") for x in last)
        word = max((w for w in words if w), key=lambda w: words[w], default="")
        if word:
            codes = ", ".join(sorted({str(x.code) if x.code else "none" for x in last}))
            text = f"last {len(last)} ends: code {codes}"
            code = next((x.code for x in reversed(last) if x.code in ocpp.CLOSE), None)
            text += f", {ocpp.CLOSE[code].says}" if code else ""
            taken.append(TakenReading("close-code", stand.unit, word, text, where(x.line for x in last)))
    span = s.last_time - s.first_time if s.last_time is not None and s.first_time is not None else None
    found = spacing(s.links, span) if s.links else None
    if found is not None:
        taken.append(TakenReading("reconnect-spacing", stand.unit, found.word, found.why, found.lines))
        if found.word != "steady":
            taken.append(TakenReading("back-office-sees", stand.unit, "drops-out", found.why, found.lines))
    return taken


def _connectors(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    taken: dict[tuple[str, str], TakenReading] = {}
    for key, c in sorted(s.connectors.items(), key=lambda x: x[0]):
        at = unit_of(s, site, stand, key)
        flurry = flurry_of(c)
        word, why, line = state_of(s, c)
        if flurry:
            word, why = "jumps", f"{JUMPS} changes of state within {JUMPS_S:g} s"
        # The station as a whole (connector 0) counts where it says more than its connectors.
        if word and (key != "0" or word in ("faulted", "unavailable")):
            _keep(taken, TakenReading("connector-status", at, word, one_line(why), where(flurry or [line])))
        alarm = c.alarm
        if alarm is not None and alarm.error in CODE:
            meaning = ocpp.ERROR[alarm.error].says if alarm.error in ocpp.ERROR else "the stop button was pressed"
            text = f"{alarm.error}: {meaning}" + (f" ({alarm.info})" if alarm.info else "")
            text += "" if c.last is None or c.last.line == alarm.line else f"; since then {c.last.status}"
            _keep(taken, TakenReading("reported-error-code", at, CODE[alarm.error], one_line(text), where([alarm.line])))
        elif c.last is not None and key != "0" and s.version != V201 and alarm is None:
            _keep(
                taken,
                TakenReading(
                    "reported-error-code", at, "no-error",
                    f"{c.count} status {'message' if c.count == 1 else 'messages'}, no error code",
                    where(x.line for x in c.changes),
                ),
            )
    return list(taken.values())


_WEIGHT = ("faulted", "unavailable", "jumps", "reserved", "held-by-station", "held-by-car")


def _keep(taken: dict[tuple[str, str], TakenReading], new: TakenReading) -> None:
    """Of several connectors of one unit the one that says more."""
    old = taken.get((new.check, new.at))
    dull = ("as-used", "no-error")
    if (
        old is None
        or old.answer in dull
        or (
            new.answer in _WEIGHT
            and old.answer in _WEIGHT
            and _WEIGHT.index(new.answer) < _WEIGHT.index(old.answer)
        )
    ):
        taken[new.check, new.at] = new


# ---- who may charge, and how it ended
def _cards(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    if not s.verdicts:
        return []
    status, line = s.verdicts[-1]
    numbers = where(n for _, n in s.verdicts)
    counts = ", ".join(f"{n} × {one_line(v, 30)}" for v, n in s.verdict_counts.most_common(4))
    if status == "Accepted":
        taken = [TakenReading("authorization", stand.unit, "accepted", counts, numbers)]
        if set(s.verdict_counts) == {"Accepted"}:
            taken.append(TakenReading("refusal-record", stand.unit, "accepted-or-none", counts, numbers))
        return taken
    taken = [
        TakenReading("authorization", stand.unit, "refused", f"last {one_line(status, 40)}; {counts}", where([line])),
        TakenReading(
            "refusal-record", stand.unit, "refused-by-back-office",
            f"the request arrived and was answered {one_line(status, 40)}", where([line]),
        ),
    ]
    if status in CARD:
        taken.append(TakenReading("card-record", stand.unit, CARD[status], f"answered {status}", where([line])))
    return taken


def _sessions(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    by_unit: dict[str, list[tuple[str, ChargeSession]]] = {}
    for session in s.sessions:
        connector = s.connectors.get(session.connector)
        alarm = connector.alarm.error if connector and connector.alarm and connector.alarm.line >= session.line else ""
        word = end_word(session, alarm)
        if word:
            by_unit.setdefault(unit_of(s, site, stand, session.connector), []).append((word, session))
    taken = []
    for at, rows in sorted(by_unit.items()):
        last = rows[-5:]
        counts = Counter(word for word, _ in last)
        word = max(counts, key=lambda w: (counts[w], [x for x, _ in last][::-1].index(w) * -1))
        reasons = ", ".join(f"{n} × {r}" for r, n in Counter(one_line(x.reason, 30) for _, x in last).most_common(3))
        energy = [x.energy_wh for _, x in last if x.energy_wh is not None]
        text = f"{counts[word]} of the last {len(last)} sessions; {reasons}" + (f"; {min(energy):g} to {max(energy):g} Wh" if energy else "")
        taken.append(TakenReading("session-ends", at, word, text, where(n for w, x in last if w == word for n in (x.line, x.end_line))))
    if s.remote_start is not None:
        good, line = s.remote_start
        started = any(x.line > line for x in (*s.sessions, *s.running.values()))
        if not good or started:
            text = "a remote start was rejected" if not good else "a session followed the remote start"
            taken.append(TakenReading("start-by-app", stand.unit, "starts" if good else "does-not-start", text, where([line])))
    return taken


def _availability(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    taken: dict[tuple[str, str], TakenReading] = {}
    word = firmware_word(s)
    if word and s.firmware is not None:
        text = (
            f"last state {one_line(s.firmware[0], 40)}"
            + (", and no word for over an hour" if word == "failed" and s.firmware[0] in RUNNING else "")
        )
        taken["firmware-record", stand.unit] = TakenReading("firmware-record", stand.unit, word, text, where([s.firmware[2]]))
    if word == "running" and s.firmware is not None:
        taken["availability-record", stand.unit] = TakenReading(
            "availability-record", stand.unit, "update-running", "a software update runs",
            where([s.firmware[2]]),
        )
    for key, c in sorted(s.connectors.items()):
        at = unit_of(s, site, stand, key)
        if c.available is not None and ("availability-record", at) not in taken:
            text = "set operative" if c.available else "set inoperative by the back office"
            taken["availability-record", at] = TakenReading(
                "availability-record", at, "open" if c.available else "set-unavailable", text,
                where([c.available_line]),
            )
        if c.reserved is not None and (c.reserved[1] is None or s.now is None or c.reserved[1] > s.now):
            taken["availability-record", at] = TakenReading(
                "availability-record", at, "reserved", f"reservation {c.reserved[0]:g} stands",
                where([c.reserved[2]]),
            )
    if s.card_list is not None:
        status, line = s.card_list
        bad = status in ("Failed", "VersionMismatch")
        if bad or status == "Accepted":
            taken["card-list-version", stand.unit] = TakenReading(
                "card-list-version", stand.unit, "older" if bad else "same",
                f"the last list was answered {status}", where([line]),
            )
    return list(taken.values())


def _profiles(s: Station, site: Site | None, stand: Standpoint, limits: dict[str, Limit]) -> list[TakenReading]:
    taken: dict[str, TakenReading] = {}
    for key, limit in limits.items():
        at = unit_of(s, site, stand, key)
        setting = setting_of(site, at)
        word = "zero" if limit.amps < LEAST_AMPS else ""
        if not word and setting is not None:
            word = "lower" if limit.amps < setting * (1 - SAME_SHARE) else "no-limit"
        if word and (at not in taken or taken[at].answer == "no-limit"):
            text = f"{limit.source} allows {limit.amps:.3g} A" + (f"; the setting is {setting:g} A" if setting is not None else "")
            taken[at] = TakenReading("profile-record", at, word, text, where([limit.line]))
    return list(taken.values())


def _offered(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    taken: list[TakenReading] = []
    for key, c in sorted(s.connectors.items()):
        at = unit_of(s, site, stand, key)
        setting = setting_of(site, at)
        if c.offered is None or setting is None or any(t.at == at for t in taken):
            continue
        amps, line = c.offered
        word = "as-sheet" if abs(amps - setting) <= SAME_SHARE * setting else "lower" if amps < setting else "higher"
        taken.append(TakenReading("offered-current", at, word, f"the station offers {amps:.3g} A; the setting is {setting:g} A", where([line])))
    return taken


def _meter(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    taken: list[TakenReading] = []
    for key, c in sorted(s.connectors.items()):
        word = meter_word(c)
        at = unit_of(s, site, stand, key)
        if word and all(t.at != at for t in taken):
            values = [v for _, v, _ in c.register]
            text = f"{len(values)} energy values while charging, {min(values):g} to {max(values):g} Wh"
            taken.append(TakenReading("meter-while-charging", at, word, text, where(n for _, _, n in c.register)))
    return taken


def _clock(s: Station, stand: Standpoint) -> list[TakenReading]:
    offset = clock_offset_s(s)
    if offset is None:
        return []
    text = f"against the back office's clock, the least of {len(s.offsets) or len(s.host_offsets)}"
    return [TakenReading("clock-read", stand.uplink, f"{offset:.0f} s", text, "")]


def _settings(s: Station, stand: Standpoint) -> list[TakenReading]:
    value = s.settings.get("WebSocketPingInterval")
    if value is None or value[0].strip() != "0":
        return []
    return [TakenReading("ping-setting", stand.uplink, "off-or-long", "WebSocketPingInterval is 0: off", where([value[1]]))]


# ---- error replies and limits from outside
def _refusals(s: Station, stand: Standpoint) -> list[TakenReading]:
    """What most error replies say; several different ones for one request count together."""
    kinds: Counter[str] = Counter()
    for pair, count in s.errors.items():
        if word := REFUSES.get(pair.rpartition(": ")[2]):
            kinds[word] += count
    if not kinds or kinds.most_common(1)[0][1] < OFTEN_REFUSED:
        return []
    word, _ = kinds.most_common(1)[0]
    text = ", ".join(f"{n} × {one_line(pair, 60)}" for pair, n in s.errors.most_common(3))
    return [TakenReading("error-replies", stand.unit, word, text, where(s.error_lines))]


def _outside_limit(s: Station, stand: Standpoint) -> list[TakenReading]:
    if s.external_limit is None or s.external_limit[0] not in LIMIT_FROM:
        return []
    source, line = s.external_limit
    return [TakenReading("limit-report", stand.unit, LIMIT_FROM[source], f"the station reports a limit of {source}", where([line]))]
