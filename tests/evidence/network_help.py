"""Putting what a reader took into a case, and seeing what comes first; mutations of good files."""

from __future__ import annotations

import io
import json
import random
import time
from collections.abc import Iterable
from functools import cache

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.casework.state import find_places, read_site, take_answer
from diagnose.casework.view import Assessment
from diagnose.evidence.reader import Asked, EvidenceError, Read
from diagnose.evidence.report import Report
from diagnose.knowledge.load import load
from diagnose.knowledge.model import Knowledge
from diagnose.site.model import Site

RECORD = """install-record: 1
name: Larch Yard depot
site: {{outdoor: yes, journey: 30 min, load-management: none}}
units:
  count: 6
  each: {{rating: 32 A, setting: 32 A, breaker: 40 A, terminator: "off"}}
  except:
    "1": {{address: 1, terminator: "on"}}
    "2": {{address: 2}}
    "3": {{address: 3}}
    "4": {{address: 4}}
    "5": {{address: 5}}
    "6": {{address: 6, terminator: "on"}}
trunks:
  - {{units: 1-6, controller: 1, segment-length: 10 m, kind: rs485, cable: 24-awg, bit-rate: 19200, parity: even, poll-interval: 10 s}}
uplinks:
  - {{unit: 1, units: 1-6, {uplink}}}
"""
ETHERNET = "kind: ethernet, addressing: dhcp, protocol: ocpp-1.6, security: password, identity: LARCH-1"
FIXED = (
    "kind: ethernet, addressing: fixed, address: 192.168.7.20, mask: 255.255.255.0, gateway: 192.168.7.1, "
    "protocol: ocpp-1.6, security: tls"
)
CELLULAR = "kind: cellular, apn: depot.example, protocol: ocpp-1.6, security: tls"


@cache
def knowledge() -> Knowledge:
    return load()


@cache
def assessor() -> Assessor:
    return Assessor(knowledge(), plain)


@cache
def site(uplink: str = ETHERNET) -> Site:
    return read_site(RECORD.format(uplink=uplink), knowledge())


def assess(report: Report, uplink: str = ETHERNET, more: Iterable[tuple[str, str, str]] = ()) -> Assessment:
    """The case with all that was taken; every answer has to be one that a person could give."""
    here = site(uplink)
    for taken in report.taken:
        check = knowledge().checks[taken.check]
        outcome, _, _ = take_answer(knowledge(), here, check, find_places(here, check.at, taken.at), taken.answer)
        assert outcome is not None, taken
        assert taken.because, taken
    opened = {"title": "evidence", "record": RECORD.format(uplink=uplink), "role": "technician"}
    rows: list[tuple[str, dict[str, object]]] = [("opened", opened)]
    answers = [(t.check, t.at, t.answer) for t in report.taken]
    rows += [("reading", {"check": c, "at": at, "answer": a, "complaint": False}) for c, at, a in [*more, *answers]]
    result = assessor().assess(tuple(Event(f"e{n}", "t", n, EPOCH, k, d, "technician") for n, (k, d) in enumerate(rows, 1)))
    assert not result.notices, result.notices
    return result


def first(report: Report, uplink: str = ETHERNET, more: Iterable[tuple[str, str, str]] = ()) -> str:
    """The foremost suspect."""
    suspects = assess(report, uplink, more).suspects
    return suspects[0].fault if suspects else ""


def answers(report: Report) -> dict[str, str]:
    """Check to answer."""
    return {t.check: t.answer for t in report.taken}


def harmless(report: Report) -> None:
    """No text of the report may move a cursor, start a line, or be endless."""
    json.dumps(report.figures, allow_nan=False)
    texts = [*report.says, *report.samples, *(x for t in report.taken for x in t)]
    texts += list(_strings(report.figures))
    for text in texts:
        assert all(c.isprintable() for c in text), repr(text)
        assert len(text) <= 700


def _strings(value: object) -> Iterable[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for k, v in value.items():
            yield from _strings(k)
            yield from _strings(v)
    elif isinstance(value, (list, tuple)):
        for v in value:
            yield from _strings(v)


NASTY = (
    b"\x1b[31m", b"\x1b]0;x\x07", b"\x9b5m", b"\0", b"\r", b"\n", b'"', b"[" * 300, b"{" * 300, b"9" * 400, b"-",
    b"1e999", b"NaN", b"\xff\xfe", "\u202e".encode(), b"[bold]", b"null", b"--5", b"0" * 12, b'\\u001b', b",,,", b"\xf0\x9f",
)  # fmt: skip


def mutate(good: bytes, chance: random.Random) -> bytes:
    """A damaged copy: bytes changed, cut, doubled, exchanged, and unpleasant things put in."""
    data = bytearray(good)
    for _ in range(chance.randint(1, 6)):
        if not data:
            break
        at, kind = chance.randrange(len(data)), chance.randrange(6)
        if kind == 0:
            data[at] = chance.randrange(256)
        elif kind == 1:
            del data[at : at + chance.randint(1, 40)]
        elif kind == 2:
            data[at:at] = data[max(0, at - chance.randint(1, 80)) : at]
        elif kind == 3:
            data[at:at] = chance.choice(NASTY)
        elif kind == 4:
            del data[at:]
        else:
            other = chance.randrange(len(data))
            size = chance.randint(1, 12)
            a, b = bytes(data[at : at + size]), bytes(data[other : other + size])
            data[other : other + len(a)], data[at : at + len(b)] = a, b
    return bytes(data)


def torture(read: Read, name: str, good: list[bytes], rounds: int, seed: int) -> int:
    """Reads `rounds` damaged copies; how many could still be used. A line is all that may be said against one."""
    chance, used, slowest = random.Random(seed), 0, 0.0
    said: list[str] = []
    for n in range(rounds):
        data = mutate(good[n % len(good)], chance)
        began = time.perf_counter()
        try:
            report = read(io.BytesIO(data), Asked(name, site() if n % 2 else None))
            harmless(report)
            used += 1
            for taken in report.taken:
                check = knowledge().checks[taken.check]
                take_answer(knowledge(), site(), check, find_places(site(), check.at, taken.at), taken.answer)
        except EvidenceError as error:
            said.append(str(error))
        slowest = max(slowest, time.perf_counter() - began)
    assert slowest < 5, slowest
    assert all(c.isprintable() for text in said for c in text), said
    return used


LONG_WINDED = (
    "connection ", "closed 1006 ", "a:", "1 ", '[2,"', '[2,"a",', "ws://a/", "client id=", "2031-01-01 ", '\\"', "[", '{"a":', "x: send ",
    "connect to ", "GET /", "a.b", ";a IN A ", "+CSQ: ", "unknown host ", "received, ", "\x1b[", "$ ", "\t", "0",
)  # fmt: skip


def patience(read: Read) -> float:
    """The longest time, s of the processor, over files that make a careless pattern search for ever."""
    longest = 0.0
    for piece in LONG_WINDED:
        line = (piece * 30_000)[:30_000]
        for text in (line, "\n".join([line[:4000]] * 8), f'[2,"a","DataTransfer",{{"d":"{line}'):
            began = time.process_time()
            harmless(read(io.BytesIO(text.encode()), Asked("x")))
            longest = max(longest, time.process_time() - began)
    return longest
