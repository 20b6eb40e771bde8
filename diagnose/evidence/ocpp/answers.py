"""From a station's folded messages to answers, remarks and figures.

What codes mean is in `diagnose.physics.ocpp`. A reading is taken only where the log answers the check by itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import pairwise
from statistics import median
from typing import Any, NamedTuple

from diagnose.evidence.lines import where
from diagnose.evidence.ocpp.limits import Profile
from diagnose.evidence.ocpp.messages import V201
from diagnose.evidence.ocpp.station import (
    GAP_FACTOR,
    STUCK_S,
    ChargeSession,
    Connector,
    Link,
    Station,
)
from diagnose.evidence.report import TakenReading
from diagnose.evidence.standpoint import Standpoint
from diagnose.physics import ocpp, service
from diagnose.site.model import Site
from diagnose.site.places import Place
from diagnose.source.problems import one_line

LEAST_AMPS = 6.0
"""Below this the pilot offers no current at all (IEC 61851-1, annex A)."""
SAME_SHARE = 0.05
"""Two currents nearer than this are the same (common practice, no source)."""
AT_ONCE_S, HOUR_S = 30.0, 3600.0
JUMPS, JUMPS_S = 6, 60.0
"""So many changes of state within so many seconds do not fit together (common practice, no source)."""
NEVER_WH = 10.0

STATE = {
    "Available": "as-used", "Preparing": "as-used", "Charging": "as-used", "Finishing": "as-used", "Occupied": "as-used",
    "SuspendedEV": "held-by-car", "SuspendedEVSE": "held-by-station", "Reserved": "reserved", "Unavailable": "unavailable",
    "Faulted": "faulted",
}  # fmt: skip
CODE = {
    "NoError": "no-error", "WeakSignal": "weak-signal", "LocalListConflict": "list-conflict",
    "EVCommunicationError": "vehicle-communication", "ReaderFailure": "reader-failure", "PowerMeterFailure": "meter-failure",
    "ConnectorLockFailure": "lock-failure", "HighTemperature": "high-temperature", "UnderVoltage": "voltage",
    "OverVoltage": "voltage", "OverCurrentFailure": "over-current", "PowerSwitchFailure": "power-switch",
    "InternalError": "internal", "ResetFailure": "internal", "OtherError": "internal", "GroundFailure": "ground-failure",
    "EmergencyStop": "emergency-stop",
}  # fmt: skip
ENDS = {
    "Local": "clean-ends", "EVDisconnected": "clean-ends", "UnlockCommand": "clean-ends", "EnergyLimitReached": "clean-ends",
    "SOCLimitReached": "clean-ends", "TimeLimitReached": "clean-ends", "MasterPass": "clean-ends", "LocalOutOfCredit": "clean-ends",
    "StoppedByEV": "ended-by-car", "Remote": "ended-remotely", "Timeout": "never-began", "GroundFault": "ended-on-fault",
    "OvercurrentFault": "ended-on-fault", "PowerLoss": "ended-on-fault", "PowerQuality": "ended-on-fault", "Reboot": "ended-on-fault",
    "HardReset": "ended-on-fault", "SoftReset": "ended-remotely", "ImmediateReset": "ended-on-fault", "EmergencyStop": "emergency-stop",
    "Other": "ended-on-fault",
}  # fmt: skip
"""Why a session stopped (OCPP 1.6 edition 2, 7.36; OCPP 2.0.1 Part 2, ReasonEnumType); the reading is common practice."""
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
RUNNING = frozenset({"Downloading", "Downloaded", "Installing", "InstallRebooting", "DownloadScheduled", "InstallScheduled",
                     "DownloadPaused", "SignatureVerified", "InstallVerified"})  # fmt: skip
IDLE = frozenset({"Idle", "Installed"})
CLOSES = {1000: "steady", 1001: "going-away", 1002: "protocol", 1003: "protocol", 1007: "protocol", 1008: "policy", 1011: "server-error",
          1006: "lost", 1005: "lost"}  # fmt: skip


class StationFindings(NamedTuple):
    """What a station's part of the log says."""

    says: tuple[str, ...]
    taken: tuple[TakenReading, ...]
    figures: dict[str, Any]


def judge(
    s: Station, site: Site | None, stand: Standpoint, status: tuple[int, int] | None, no_version: int | None, tls: tuple[str, int] | None
) -> StationFindings:
    """Answers, remarks and figures for one station; places from `stand` and the connector numbers."""
    limits = _limits(s, site, stand)
    taken = [
        *_boot(s, stand, status), *_connectors(s, site, stand), *_cards(s, site, stand), *_sessions(s, site, stand),
        *_availability(s, site, stand), *_profiles(s, site, stand, limits), *_offered(s, site, stand), *_meter(s, site, stand),
        *_connection(s, stand), *_handshake(stand, status, no_version, tls, s), *_clock(s, stand), *_settings(s, stand),
        *_refusals(s, stand), *_outside_limit(s, stand),
    ]  # fmt: skip
    return StationFindings(tuple(one_line(x) for x in _says(s)), tuple(taken), _figures(s, limits))


def _unit(s: Station, site: Site | None, stand: Standpoint, key: str) -> str:
    """The unit of a connector: with several connectors on an uplink that serves several units the n-th unit, else the station's."""
    digits = key.split(".")[0]
    numbers = {k.split(".")[0] for k in s.connectors} - {"0"}
    if site is not None and len(numbers) > 1 and digits.isdecimal():
        group = next((g for g in site.uplinks if g.number == stand.uplink_place.number), None)
        if group is not None and 1 <= int(digits) <= len(group.units) and len(group.units) > 1:
            return f"unit {group.units[int(digits) - 1]}"
    return stand.unit


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


class Spacing(NamedTuple):
    """How the connections follow each other: the outcome of `reconnect-spacing`, why, and the lines."""

    word: str
    why: str
    lines: str


def spacing(links: Iterable[Link], span_s: float | None) -> Spacing | None:
    """The pattern of reconnects; None when there are too few dates to tell. Bounds: common practice, no source."""
    all_links = list(links)
    ups = [x for x in all_links if x.up and x.time is not None]
    downs = [x for x in all_links if not x.up]
    numbers = where(x.line for x in all_links)
    apart = [b.time - a.time for a, b in pairwise(ups) if a.time is not None and b.time is not None]
    if len(apart) >= 2 and 0 <= median(apart) <= AT_ONCE_S:
        return Spacing("at-once", f"{len(ups)} connections, {median(apart):.3g} s apart", numbers)
    idle = [x.idle_s for x in downs if x.idle_s is not None and x.code != 1000]
    if len(idle) >= 3 and AT_ONCE_S <= median(idle) <= HOUR_S and _alike(idle, 0.1):
        return Spacing("same-minutes", f"{len(idle)} times cut after {median(idle):.4g} s without traffic", numbers)
    lives = []
    for a, b in pairwise(all_links):
        if a.up and not b.up and a.time is not None and b.time is not None:
            lives.append(b.time - a.time)
    if len(lives) >= 3 and median(lives) >= HOUR_S and _alike(lives, 0.05):
        return Spacing("same-hours", f"{len(lives)} connections lasted {median(lives) / HOUR_S:.3g} h each", numbers)
    odd = [x for x in downs if x.code not in (1000, 1001)]
    if len(odd) >= 3:
        return Spacing("irregular", f"{len(odd)} times cut at odd times", numbers)
    if len(downs) <= 1 and span_s is not None and span_s >= HOUR_S and all(x.code == 1000 for x in downs):
        return Spacing("steady", f"{len(downs)} interruptions in {span_s / HOUR_S:.3g} h", numbers)
    return None


def _alike(values: list[float], share: float) -> bool:
    return max(values) - min(values) <= share * median(values)


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


# ---- connectors
def _jumps(c: Connector) -> tuple[int, int] | None:
    """First and last line of a flurry of states."""
    rows = [x for x in c.changes if x.time is not None]
    for a, b in zip(rows, rows[JUMPS - 1 :], strict=False):
        if a.time is not None and b.time is not None and 0 <= b.time - a.time <= JUMPS_S:
            kept = [x.status for x in rows if a.line <= x.line <= b.line]
            if len(set(kept)) < len(kept) - 1:
                return a.line, b.line
    return None


def _state_of(s: Station, c: Connector) -> tuple[str, str, int]:
    """The outcome for a connector: what it is now, or what a session without charging has shown."""
    last = c.last
    if last is None:
        return "", "", 0
    status = last.status
    if s.version == V201 and status == "Occupied" and c.charging in ("SuspendedEV", "SuspendedEVSE"):
        status = c.charging
    if status in ("Available", "Finishing") and "Charging" not in c.seen:
        held = [x for x in c.seen if x.startswith("Suspended")]
        status = held[-1] if held else status
    meaning = ocpp.CONNECTOR.get(status)
    return STATE.get(status, ""), f"{status}: {meaning.says}" if meaning else status, last.line


def _connectors(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    taken: dict[tuple[str, str], TakenReading] = {}
    for key, c in sorted(s.connectors.items(), key=lambda x: x[0]):
        at = _unit(s, site, stand, key)
        flurry = _jumps(c)
        word, why, line = _state_of(s, c)
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
            _keep(taken, TakenReading("reported-error-code", at, "no-error", f"{c.count} status {'message' if c.count == 1 else 'messages'}, no error code", where(x.line for x in c.changes)))
    return list(taken.values())


_WEIGHT = ("faulted", "unavailable", "jumps", "reserved", "held-by-station", "held-by-car")


def _keep(taken: dict[tuple[str, str], TakenReading], new: TakenReading) -> None:
    """Of several connectors of one unit the one that says more."""
    old = taken.get((new.check, new.at))
    dull = ("as-used", "no-error")
    if old is None or old.answer in dull or (new.answer in _WEIGHT and old.answer in _WEIGHT and _WEIGHT.index(new.answer) < _WEIGHT.index(old.answer)):
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
        TakenReading("refusal-record", stand.unit, "refused-by-back-office", f"the request arrived and was answered {one_line(status, 40)}", where([line])),
    ]
    if status in CARD:
        taken.append(TakenReading("card-record", stand.unit, CARD[status], f"answered {status}", where([line])))
    return taken


def end_word(session: ChargeSession, alarm: str) -> str:
    """The outcome of `session-ends` for one session. Source: as `ENDS`."""
    energy, reason = session.energy_wh, session.reason
    lasted = session.ended - session.began if session.ended is not None and session.began is not None else None
    word = ENDS.get(reason, "")
    if energy is not None and energy < NEVER_WH and reason not in ("DeAuthorized",) and (lasted is None or lasted > 60) and word in ("clean-ends", "never-began"):
        return "never-began"
    if word == "clean-ends" and session.state == "SuspendedEV":
        return "ended-by-car"
    if reason in ("EVDisconnected", "Other") and alarm == "EVCommunicationError":
        return "pilot-lost"
    return word


def _sessions(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    by_unit: dict[str, list[tuple[str, ChargeSession]]] = {}
    for session in s.sessions:
        connector = s.connectors.get(session.connector)
        alarm = connector.alarm.error if connector and connector.alarm and connector.alarm.line >= session.line else ""
        word = end_word(session, alarm)
        if word:
            by_unit.setdefault(_unit(s, site, stand, session.connector), []).append((word, session))
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


# ---- availability
def _firmware(s: Station) -> str:
    """running, failed, idle or nothing."""
    if s.firmware is None:
        return ""
    status, when, _ = s.firmware
    if status in IDLE:
        return "idle"
    if status in RUNNING:
        silent = s.now is not None and when is not None and s.now - when > HOUR_S
        return "failed" if silent else "running"
    return "failed" if any(w in status for w in ("Fail", "Invalid")) else ""


def _availability(s: Station, site: Site | None, stand: Standpoint) -> list[TakenReading]:
    taken: dict[tuple[str, str], TakenReading] = {}
    word = _firmware(s)
    if word and s.firmware is not None:
        text = f"last state {one_line(s.firmware[0], 40)}" + (", and no word for over an hour" if word == "failed" and s.firmware[0] in RUNNING else "")
        taken["firmware-record", stand.unit] = TakenReading("firmware-record", stand.unit, word, text, where([s.firmware[2]]))
    if word == "running" and s.firmware is not None:
        taken["availability-record", stand.unit] = TakenReading("availability-record", stand.unit, "update-running", "a software update runs", where([s.firmware[2]]))
    for key, c in sorted(s.connectors.items()):
        at = _unit(s, site, stand, key)
        if c.available is not None and ("availability-record", at) not in taken:
            text = "set operative" if c.available else "set inoperative by the back office"
            taken["availability-record", at] = TakenReading("availability-record", at, "open" if c.available else "set-unavailable", text, where([c.available_line]))
        if c.reserved is not None and (c.reserved[1] is None or s.now is None or c.reserved[1] > s.now):
            taken["availability-record", at] = TakenReading("availability-record", at, "reserved", f"reservation {c.reserved[0]:g} stands", where([c.reserved[2]]))
    if s.card_list is not None:
        status, line = s.card_list
        bad = status in ("Failed", "VersionMismatch")
        if bad or status == "Accepted":
            taken["card-list-version", stand.unit] = TakenReading("card-list-version", stand.unit, "older" if bad else "same", f"the last list was answered {status}", where([line]))
    return list(taken.values())


# ---- limits
def _volts(site: Site | None) -> tuple[float | None, int]:
    """Volts of a phase as a station counts it, and phases that it draws on."""
    system = service.SYSTEMS.get(site.word("site.system") or "") if site else None
    if system is None or site is None:
        return None, 3
    if site.word("site.system") == "wye-230-400":
        return system.to_ground, 3
    return system.between_lines, 1


def _setting(site: Site | None, at: str) -> float | None:
    if site is None:
        return None
    place = Place("unit", int(at.split()[1]))
    setting = site.number("unit.setting", place)
    return setting if setting is not None else site.number("unit.rating", place)


class Limit(NamedTuple):
    """The limit in force at a connector, A, and where it comes from."""

    amps: float
    line: int
    source: str


def _limits(s: Station, site: Site | None, stand: Standpoint) -> dict[str, Limit]:
    volts, phases = _volts(site)
    found: dict[str, Limit] = {}
    for key in sorted(s.connectors):
        number = int(key.split(".")[0])
        if number == 0 and len(s.connectors) > 1:
            continue
        running = next((x for x in reversed(s.running.values()) if x.connector == key), None)
        best: tuple[float, Profile] | None = s.profiles.limit(number, s.now, running.began if running else None, volts, phases)
        if best is not None:
            found[key] = Limit(best[0], best[1].line, f"{one_line(best[1].purpose, 40)} {best[1].id}")
        combined = s.composite.get(number)
        if combined is not None:
            limit, watts, line = combined
            amps = limit if not watts else 0.0 if limit == 0 else None if volts is None else limit / (volts * phases)
            if amps is not None and line > (found[key].line if key in found else 0):
                found[key] = Limit(amps, line, "the schedule that the station reports")
    return found


def _profiles(s: Station, site: Site | None, stand: Standpoint, limits: dict[str, Limit]) -> list[TakenReading]:
    taken: dict[str, TakenReading] = {}
    for key, limit in limits.items():
        at = _unit(s, site, stand, key)
        setting = _setting(site, at)
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
        at = _unit(s, site, stand, key)
        setting = _setting(site, at)
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
        at = _unit(s, site, stand, key)
        if word and all(t.at != at for t in taken):
            values = [v for _, v, _ in c.register]
            text = f"{len(values)} energy values while charging, {min(values):g} to {max(values):g} Wh"
            taken.append(TakenReading("meter-while-charging", at, word, text, where(n for _, _, n in c.register)))
    return taken


def meter_word(c: Connector) -> str:
    """live-values, stuck, or nothing when there are too few values. Source: common practice."""
    values = [v for _, v, _ in c.register]
    if len(values) < 3:
        return ""
    if len(set(values)) > 1:
        return "live-values"
    first, last = c.register[0][0], c.register[-1][0]
    return "stuck" if first is not None and last is not None and last - first >= STUCK_S else ""


# ---- clock, settings
def clock_offset_s(s: Station) -> float | None:
    """The station's clock against the back office's, s; None when the log does not tell.

    Queued messages are old, not wrong: the least offset of the last ones counts.
    """
    if s.offsets:
        return min(s.offsets, key=abs)
    if s.host_offsets and s.written_by_station:
        return min(s.host_offsets, key=abs)
    return None


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


# ---- remarks and figures
def _says(s: Station) -> list[str]:
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


def _figures(s: Station, limits: dict[str, Limit]) -> dict[str, Any]:
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
        "sessions": [{"connector": x.connector or None, "id": one_line(x.id, 60), "energy_wh": x.energy_wh, "reason": one_line(x.reason, 40), "line": x.line} for x in list(s.sessions)[-20:]],
        "session_count": s.session_count, "running": [one_line(x, 60) for x in list(s.running)[-20:]],
        "error_replies": {one_line(k, 100): n for k, n in s.errors.most_common(20)},
        "heartbeat": {"interval_s": interval, "gaps": s.gap_count, "longest_gap_s": round(s.longest_gap, 1) if s.gap_count else None},
        "firmware": one_line(s.firmware[0], 40) if s.firmware else None,
        "connections": {"ups": sum(x.up for x in s.links), "downs": len(downs), "codes": dict(Counter(str(x.code) if x.code else "none" for x in downs))},
        "clock_offset_s": None if offset is None else round(offset, 1), "volts": s.volts or None,
    }  # fmt: skip
