"""A live probe of the way to the back office: what the rungs mean, as a report with readings.

The rungs are climbed by `diagnose.probe.ladder` and judged by `diagnose.evidence.network.ip.find`, as for commands
that a person typed. The order is `diagnose.physics.ip.BRING_UP`.
"""

from __future__ import annotations

import hashlib
import ipaddress
import json
import re
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

from diagnose.evidence.intake import Original
from diagnose.evidence.network.ip.output import Http
from diagnose.evidence.network.ip.take import take
from diagnose.evidence.reader import Asked
from diagnose.evidence.report import Report, TakenReading
from diagnose.evidence.standpoint import Standpoint, standpoint
from diagnose.gauges.network import CLOCK_RIGHT_S
from diagnose.physics import ocpp
from diagnose.probe import clock as probe_time
from diagnose.probe import http as probe_http
from diagnose.probe import tls as probe_tls
from diagnose.probe.ladder import LOCAL_NAME, RUNGS, Effects, Ladder, Rung, Wish
from diagnose.site.model import Site
from diagnose.site.places import Place
from diagnose.source.problems import one_line

KIND, TITLE = "network-probe", "live probe of the network"
SPOKEN = {"ocpp-1.6": ("ocpp1.6",), "ocpp-2.0.1": ("ocpp2.0.1",)}
BOTH = ("ocpp1.6", "ocpp2.0.1")


def probe(
    wish: Wish, site: Site | None, effects: Effects | None = None, progress: Callable[[str], None] = lambda text: None
) -> tuple[Report, Original]:
    """Climb, and say what it shows; stopped by KeyboardInterrupt it gives what there is, `interrupted` in the figures.

    Figures: see docs/evidence/probe-network.md. Raises EvidenceError for a file of issuers that cannot be used.
    """
    asked = Asked("", site, Place("unit", wish.unit) if wish.unit else None, wish.seen_from)
    stand = standpoint(site, "", at=asked.at)
    if not wish.subprotocols:
        word = site.word("uplink.protocol", stand.uplink_place) if site else None
        wish = wish._replace(subprotocols=SPOKEN.get(word or "", BOTH))
    with ExitStack() as open_things:
        ladder = Ladder(wish, effects or Effects(), progress, open_things)
        try:
            ladder.climb()
        except KeyboardInterrupt:
            ladder.interrupted = ladder.now_at
    ladder.settle()
    return _report(ladder, asked, stand), _original(ladder)


# ---- what it means
def _report(seen: Ladder, asked: Asked, stand: Standpoint) -> Report:
    site, found, up = asked.site, seen.own.found, seen.upgrade
    if up is not None and up.head is not None and up.end in ("accepted", "answered"):
        protocol = up.protocol if up.protocol in seen.wish.subprotocols else ""
        found.https.append(Http(
            7, 7, asked=True, status=up.head.status, host=seen.wish.target.authority.lower(), offered=", ".join(seen.wish.subprotocols), upgrade=True,
            protocol=protocol, location=one_line(up.head.get("location"), 200), page="html" in up.head.get("content-type").lower(),
        ))  # fmt: skip
    verdict = take(found, asked, stand)
    kept = [t for t in verdict.taken if _stands(seen, t, site)]
    taken = [_worded(seen, t) for t in [*kept, *_own_readings(seen, stand, {t.check for t in kept})]]
    says = [
        *_first_words(seen), *_rung_lines(seen), *_remarks(seen, site, stand),
        *(s for s in verdict.says[1:] if not s.startswith(("401 ", "the bring-up"))),
    ]
    if stand.note:
        says.append(stand.note.replace("Put 'unit N' into the file's name to say otherwise", "--unit N says otherwise"))
    understood = len(seen.rungs)
    return Report(
        KIND, TITLE, tuple(one_line(s) for s in dict.fromkeys(says)), tuple(taken), _figures(seen, verdict.figures), understood,
        len(seen.strange), tuple(one_line(s, 200) for s in seen.strange[:5]),
    )  # fmt: skip


def _offset(seen: Ladder) -> probe_time.Offset | None:
    """The better of the two words on the clock."""
    return seen.time.offset if seen.time is not None and seen.time.offset is not None else seen.date


def _clock_is_off(seen: Ladder) -> bool:
    offset = _offset(seen)
    return time.time() < probe_time.EARLIEST or (offset is not None and abs(offset.seconds) - offset.uncertainty > CLOCK_RIGHT_S)


def _identities(site: Site | None) -> set[str]:
    words = (site.word("uplink.identity", Place("uplink", g.number)) for g in site.uplinks) if site else ()
    return {w for w in words if w}


def _stranger(seen: Ladder, site: Site | None) -> bool:
    """Whether the identity in the path is no unit's, so that its refusal says nothing of a unit."""
    known = _identities(site)
    return seen.wish.made_up or (bool(known) and seen.wish.target.identity not in known)


def _stands(seen: Ladder, t: TakenReading, site: Site | None) -> bool:
    """Whether a reading may be believed, given what only a live probe knows."""
    if t.check in ("port-connect", "tls-look", "websocket-try", "handshake-record") and t.answer != "intercepted" and _led_astray(seen):
        return False  # who answers is not the back office
    if t.check == "handshake-record" and t.answer in ("accepted", "unknown-404", "refused-403", "not-authorised-401"):
        return not _stranger(seen, site)
    if t.answer == "gets-through" and t.check.startswith("laptop-at-"):
        return seen.got_out()
    if t.check in ("tls-look", "station-tls-error") and seen.shaken is not None:
        if t.answer in ("other-issuer", "unknown-issuer"):
            return bool(seen.wish.issuers) and seen.shaken.word == "unknown-issuer"
        if t.check == "tls-look" and t.answer in ("expired", "not-yet-valid"):
            return not _clock_is_off(seen)  # that look wants a clock that is right
    return True


def _own_readings(seen: Ladder, stand: Standpoint, there: set[str]) -> list[TakenReading]:
    """Readings that the commands of a person would not give."""
    at, taken, up = stand.uplink, [], None if _led_astray(seen) else seen.upgrade
    on_station = seen.wish.seen_from == "station"
    if up is not None and up.end in probe_http.WRONG:
        if on_station:
            taken.append(TakenReading("connect-step", at, "stops-at-upgrade", up.says, "line 7"))
        else:
            taken.append(TakenReading("websocket-try", at, "spoiled", up.says, "line 7"))
    elif up is not None and up.end == "silent" and not up.raw:
        check, word = ("connect-step", "stops-at-upgrade") if on_station else ("websocket-try", "no-reply")
        taken.append(TakenReading(check, at, word, up.says, "line 7"))
    if up is not None and up.end == "accepted" and up.protocol and up.protocol not in seen.wish.subprotocols:
        because = f"offered {', '.join(seen.wish.subprotocols)}; the server chose {up.protocol}"
        taken.append(TakenReading("version-compare", at, "none-in-common", because, "line 7"))
    answer = seen.time
    # What answers the station answers a laptop beside it; that nothing answers the station may be its own settings.
    if answer is not None and (answer.offset or (not answer.answered and not on_station)):
        taken.append(TakenReading("time-lookup", at, "answers" if answer.offset else "no-answer", answer.says, "line 4"))
    offset = _offset(seen)
    if on_station and offset is not None:
        taken.append(
            TakenReading(
                "clock-read", at, f"{offset.seconds:.1f} s", f"by {offset.by}: {probe_time.tell(offset)}",
                "line 4" if answer and answer.offset else "line 7",
            )
        )
    check = "laptop-at-switch" if seen.wish.seen_from == "switch" else "laptop-at-station"
    if not on_station and check not in there and seen.got_out():
        taken.append(TakenReading(check, at, "gets-through", "the time service answers", "line 4"))
    return taken


def _led_astray(seen: Ladder) -> bool:
    """Whether a name is answered only with addresses where no server elsewhere can be, as filters do with names they bar."""
    host = seen.wish.target.host
    if seen.wish.target.literal or LOCAL_NAME.match(host) or host.endswith(".local"):
        return False
    there = [ipaddress.ip_address(a) for a in seen.addresses]
    return bool(there) and all(a.is_loopback or a.is_unspecified or a.is_link_local for a in there)


def _worded(seen: Ladder, t: TakenReading) -> TakenReading:
    """A reading with its rung named in place of a line, and with what was seen of the certificate."""
    because = t.because
    if t.check in ("tls-look", "station-tls-error") and seen.shaken is not None and seen.shaken.word != "verified":
        own = seen.shaken.chain[0] if seen.shaken.chain else None
        because = f"{seen.shaken.says}{f'; issued by {own.issuer}' if own and own.issuer else ''}"
    if t.check == "handshake-record":
        because = f"{because} (sent as {seen.wish.target.identity or 'no identity'})"
    numbers = [int(n) for n in re.findall(r"\d+", t.lines) if 1 <= int(n) <= len(RUNGS)]
    names = list(dict.fromkeys(RUNGS[n - 1] for n in numbers))
    return t._replace(because=one_line(because, 300), lines=f"step {' to '.join(names)}" if names else "")


def _first_words(seen: Ladder) -> list[str]:
    where = {"switch": "a laptop at the station's switch port", "cable": "a laptop on the station's cable", "station": "the station itself"}
    says = [f"taken as run on {where[seen.wish.seen_from]}; --from says otherwise"]
    if seen.interrupted:
        says.append(f"stopped at the step {seen.interrupted}, before its end; what comes after it was not tried")
    failed = _stop(seen)
    if failed:
        says.append(f"the way to the back office stops at: {failed.name}")
    elif not seen.interrupted:
        last = seen.rungs[-1].name if seen.rungs else "nothing"
        says.append(f"every step that was tried is passed, up to {last}")
    return says


def _stop(seen: Ladder) -> Rung | None:
    """The rung that the way ends at. Without a time service the way still leads on."""
    return next((r for r in seen.rungs if r.result == "failed" and r.name != "time" and not _disproved(seen, r)), None)


def _disproved(seen: Ladder, rung: Rung) -> bool:
    return rung.name == "gateway" and any(n.startswith(rung.says) for n in seen.notes)


def _rung_lines(seen: Ladder) -> list[str]:
    return [f"{r.name} {r.result}: {r.says} ({r.took_ms:.1f} ms)" for r in seen.rungs]


def _remarks(seen: Ladder, site: Site | None, stand: Standpoint) -> list[str]:
    says = list(seen.notes)
    offset, up, target = _offset(seen), seen.upgrade, seen.wish.target
    if seen.shaken is not None:
        right = time.time() - (offset.seconds if offset else 0.0)
        says += probe_tls.remarks(seen.shaken, target.host, right)
        says += _about_tls(seen, right)
    if up is not None:
        says += _about_upgrade(seen, up, site)
    if seen.date is not None:
        says.append(f"by {seen.date.by} this clock is {probe_time.tell(seen.date)} (the field has whole seconds)")
    if seen.wish.seen_from != "station" and _clock_is_off(seen):
        says.append("this computer's own clock is wrong: set it, then probe again; what it says of dates is not taken")
    if _led_astray(seen):
        says.append(
            f"{target.host} is answered with {seen.addresses[0]}, where no server elsewhere can be: a filter "
            "bars the name, or a table of this computer holds it"
        )
    kinds = {":" in a for a in seen.addresses}
    if len(kinds) == 2:
        says.append(f"{target.host} has addresses of both families; a station may use either")
    return says


def _about_tls(seen: Ladder, right: float) -> list[str]:
    shaken, says = seen.shaken, []
    assert shaken is not None
    own = shaken.chain[0] if shaken.chain else None
    if shaken.word in ("not-yet-valid", "expired"):
        if time.time() < probe_time.EARLIEST:
            says.append(f"this computer's clock shows {time.strftime('%Y-%m-%d')}, so its clock was never set: no certificate is valid then")
        elif own and own.begins and own.begins <= right <= own.ends:
            says.append("by the right time the certificate is in date: the clock of this computer is to blame")
        elif _offset(seen) is None:
            says.append("whether certificate or clock is to blame shows with --clock-from and a time server")
    if shaken.word in ("unknown-issuer", "refused"):
        if not seen.wish.issuers:
            says.append("if the back office names an issuer of its own, give its certificate with --ca; without it this is not taken as a reading")
        says.append(
            "an issuer that the back office does not name means that something on the way opens the "
            "connection: an inspecting proxy, or a sign-in page"
        )
    return says


def _about_upgrade(seen: Ladder, up: probe_http.Upgrade, site: Site | None) -> list[str]:
    says, target = [], seen.wish.target
    identity = one_line(target.identity, 60)
    if _stranger(seen, site):
        whose = "made up" if seen.wish.made_up else "not one that the record holds"
        says.append(f"the identity '{identity}' is {whose}: what the back office answers to it is taken for no unit")
    elif up.end == "accepted" and identity:
        says.append(f"accepted as '{identity}': a unit that was connected with this identity may have been thrown out, and comes back by itself")
    if up.head is not None:
        status = up.head.status
        location = one_line(up.head.get("location"), 200)
        if location and 300 <= status < 400:
            says.append(f"sent on to {location}; it was not followed")
        if status == 401:
            says.append("401: the way to the back office is open; the probe sends no password, so it proves nothing about the unit's")
        if (status == 200 and "html" in up.head.get("content-type").lower()) or status == 511:
            says.append("a web page came instead of the upgrade: a sign-in page of the network, or a wrong path")
        if up.end == "accepted" and not up.protocol:
            says.append(f"offered {', '.join(seen.wish.subprotocols)}; the server takes none of them")
        elif up.end == "accepted" and up.protocol not in seen.wish.subprotocols:
            says.append(f"the server chose {up.protocol}, which was not offered; a station has to hang up (RFC 6455, 4.1)")
    if up.close_code:
        meaning = ocpp.CLOSE.get(up.close_code)
        says.append(f"closed with {up.close_code}{f' ({meaning.name})' if meaning else ''}")
    if up.messages:
        says.append(f"the server sent {up.messages} messages by itself; they were neither kept nor answered")
    return says


def _figures(seen: Ladder, judged: dict[str, Any]) -> dict[str, Any]:
    offset, up, shaken, stop = _offset(seen), seen.upgrade, seen.shaken, _stop(seen)
    return {
        **{k: judged[k] for k in ("run_on", "addresses", "gateways", "names", "tls")},
        "stops_at": stop.name if stop else None,
        "target": str(seen.wish.target),
        "rungs": [{"step": r.name, "result": r.result, "says": r.says, "ms": round(r.took_ms, 2)} for r in seen.rungs],
        "connects": [{"address": c.address, "result": c.result, "ms": round(c.took_ms, 2)} for c in seen.connects],
        "tls_version": shaken.version or None if shaken else None,
        "certificates": [_certificate(c) for c in shaken.chain] if shaken else [],
        "status": up.head.status if up and up.head else None,
        "upgrade": up.end if up else None,
        "offered": list(seen.wish.subprotocols) if up else [],
        "subprotocol": up.protocol or None if up else None,
        "close_code": up.close_code or None if up else None,
        "clock": (
            {
                "offset_s": round(offset.seconds, 4), "uncertainty_s": round(offset.uncertainty, 4),
                "by": one_line(offset.by, 100),
            }
            if offset
            else None
        ),
        "interrupted": seen.interrupted or None,
        "seconds": round(time.monotonic() - seen.began, 3),
    }  # fmt: skip


def _certificate(c: probe_tls.Certificate) -> dict[str, Any]:
    return {
        "subject": c.subject or None, "issuer": c.issuer or None, "names": list(c.names), "sha256": c.sha256,
        "begins": _iso(c.begins), "ends": _iso(c.ends),
    }  # fmt: skip


def _iso(when: float) -> str | None:
    try:
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(when)) if when else None
    except (ValueError, OverflowError, OSError):
        return None


def _original(seen: Ladder) -> Original:
    """What was seen, as text that goes with a case: own addresses, the rungs, certificates, and the reply's head."""
    lines = [f"probe of {seen.wish.target} at {time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime())}"]
    lines += [f"{a.interface} {'up' if a.up else 'down'} {f'{a.local}/{a.prefix}' if a.local else 'no address'}" for a in seen.own.found.addresses]
    lines += _rung_lines(seen)
    if seen.shaken is not None:
        lines += [json.dumps(_certificate(c)) for c in seen.shaken.chain]
    if seen.upgrade is not None:
        head = seen.upgrade.raw[:probe_http.LONGEST_HEAD].decode("latin-1").split("\n")[:probe_http.MOST_FIELDS]
        lines += [line for line in head if not line.lower().startswith("set-cookie")]
    if seen.interrupted:
        lines.append(f"stopped at the step {seen.interrupted}")
    text = "\n".join(one_line(line, 4096) for line in lines if line.strip()) + "\n"
    data = text.encode()
    return Original(f"probe of {seen.wish.target}", len(data), hashlib.sha256(data).hexdigest(), text)
