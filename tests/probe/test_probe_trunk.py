"""The live probe of a trunk, against peers built by hand, pymodbus and libmodbus, over loopback and pseudo terminals only."""

from __future__ import annotations

import ast
import asyncio
import errno
import io
import json
import os
import re
import shlex
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.casework.events import Event
from diagnose.cli import main
from diagnose.evidence.intake import take_in
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.report import Report
from diagnose.evidence.robust import wilson
from diagnose.probe import plan as probe_plan
from diagnose.probe import result as probe_result
from diagnose.probe import trunk as probe_trunk
from diagnose.probe.guard import ReadOnly, WriteRefused, require_serial_read, require_tcp_read
from diagnose.probe.lines import open_line
from diagnose.probe.look import identity, look
from diagnose.probe.plan import (
    READS,
    ProbePlan,
    Setting,
    make_plan,
    read_units,
    settings_to_try,
)
from diagnose.probe.result import drawing, histogram, polls_of, report
from diagnose.probe.trunk import ExchangeLog, Measured, Prober
from diagnose.site.model import Site
from tests.probe.probe_peers import (
    READ_CODES,
    Clock,
    FakeLine,
    Unit,
    Wire,
    codes_of,
    damaged,
    framed,
    gateway,
    good,
    pty_trunk,
    refusing,
    registers_only,
    reply,
    silent,
    two_at_once,
    two_in_turn,
)
from tests.shell.sites import HARBOUR, PYTHON, ROOT, environment

for _name in ("pymodbus", "serial"):
    pytest.importorskip(_name, reason="the packages of the extra live are not installed")

EVEN_19200 = Setting(19_200, "even", 1)


def plan(units: str = "1-3", site: Site | None = None, **options: Any) -> ProbePlan:
    """A plan for a line that is given."""
    words = {"port": "none", "units": units, "rate": "100", **{k.replace("_", "-"): v for k, v in options.items()}}
    return make_plan(words, site)


def measure(units: dict[int, Unit], p: ProbePlan, wire: Wire | None = None, **line: Any) -> tuple[Measured, FakeLine, ExchangeLog]:
    """A run on a line with a clock of its own."""
    clock = Clock()
    fake = FakeLine(wire or Wire(units), clock, **line)
    stream = io.BytesIO()
    prober = Prober(p, fake.open, clock=clock)
    prober.log = ExchangeLog("probe.log", stream, zero=prober.zero)
    measured = prober.run()
    assert fake.closed == 1
    assert set(codes_of(b"".join(f for _, f in fake.sent))) <= READ_CODES
    prober.log.text = stream.getvalue()  # type: ignore[attr-defined]
    return measured, fake, prober.log


def answers(r: Report) -> dict[tuple[str, str], str]:
    return {(t.check, t.at): t.answer for t in r.taken}


@pytest.fixture(scope="module")
def base() -> Any:
    """The rule base and its assessor, made once."""
    from diagnose.shell.desk import Desk

    return Desk()


@pytest.fixture(scope="module")
def harbour(base: Any) -> Site:
    from diagnose.casework.state import read_site

    return read_site(Path(HARBOUR).read_text(encoding="utf-8"), base.knowledge)


@pytest.fixture
def brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    """No rests, for peers that need none."""
    monkeypatch.setattr(probe_plan, "PAUSE_S", 0.0005)


# ---- only reads leave

WRITES = {
    5: b"\x05\x00\x01\xff\x00", 6: b"\x06\x00\x01\x00\x02", 8: b"\x08\x00\x00\x12\x34", 15: b"\x0f\x00\x00\x00\x01\x01\x01",
    16: b"\x10\x00\x00\x00\x01\x02\x00\x07", 21: b"\x15\x09\x06\x00\x04\x00\x07\x00\x01\x00\x07", 22: b"\x16\x00\x04\x00\xf2\x00\x25",
    23: b"\x17\x00\x03\x00\x01\x00\x0e\x00\x01\x02\x00\xff", 43: b"\x2b\x0d\x01\x00",
}  # fmt: skip


def on_tcp(unit: int, pdu: bytes) -> bytes:
    return b"\x00\x01\x00\x00" + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu


def test_the_guard_lets_no_write_through() -> None:
    put: list[bytes] = []
    for require, frame in ((require_serial_read, lambda u, p: framed(bytes((u,)) + p)), (require_tcp_read, on_tcp)):
        gate = ReadOnly(put.append, cast("Callable[[bytes], None]", require))
        for code, pdu in WRITES.items():
            with pytest.raises(WriteRefused):
                gate.send(frame(3, pdu))
            assert not put, code
        for code in set(range(256)) - READS:
            for tail in (b"", b"\0\0\0\1"):
                with pytest.raises(WriteRefused):
                    gate.send(frame(3, bytes((code,)) + tail))
        read = b"\x03\x00\x00\x00\x01"
        for unit in (0, 248, 255):
            with pytest.raises(WriteRefused):
                gate.send(frame(unit, read))
        for wrong in (read + read, read[:-1], b"\x03\x00\x00\x00\x00", b"\x03\x00\x00\x00\x7e", b"\x11\x00"):
            with pytest.raises(WriteRefused):
                gate.send(frame(3, wrong))
        both = frame(3, read) + frame(3, WRITES[6])
        with pytest.raises(WriteRefused):
            gate.send(both)
        assert put == []
        gate.send(frame(3, read))
        assert put == [frame(3, read)]
        put.clear()


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=40))
def test_what_the_guard_lets_through_is_one_read(data: bytes) -> None:
    put: list[bytes] = []
    for require, frame in ((require_serial_read, framed(data)), (require_serial_read, data), (require_tcp_read, data)):
        try:
            ReadOnly(put.append, require).send(frame)
        except WriteRefused:
            continue
    assert all(codes_of(f) for f in put)


@pytest.mark.parametrize("code", sorted(WRITES))
def test_the_reader_of_what_arrives_notices_a_write(code: int) -> None:
    """The tests below would fail if one got out."""
    read = framed(b"\x01\x03\x00\x00\x00\x01")
    assert codes_of(read + read) == [3, 3]
    with pytest.raises(ValueError, match="2B without 0E" if code == 43 else "no read request at 8"):
        codes_of(read + framed(b"\x01" + WRITES[code]))


OPTIONS = st.fixed_dictionaries(
    {"units": st.sampled_from(("1", "1-3", "2,4", "5-6")), "rounds": st.sampled_from(("1", "2"))},
    optional={"register": st.integers(0, 65_535).map(str), "sweep": st.just(True), "parity": st.sampled_from(("even", "odd", "none"))},
)
SORTS: dict[int, Unit] = {1: good(), 2: registers_only, 3: refusing(2), 4: two_in_turn, 5: silent, 6: damaged(2)}


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(OPTIONS, st.booleans())
def test_only_reads_leave_over_tcp(brisk: None, options: dict[str, Any], tells: bool) -> None:
    """Every byte that reaches the gateway is a read's, whatever is asked for."""
    with gateway(SORTS, tells) as peer:
        words = {k: v for k, v in options.items() if k not in ("sweep", "parity")}
        p = make_plan({"host": f"127.0.0.1:{peer.port}", "timeout": "0.015", **words}, None)._replace(rate=3000.0)
        measured = Prober(p, open_line).run()
        codes = peer.codes()
        assert set(codes) <= READ_CODES
        assert len(codes) == measured.requests == measured.sent.total()
        assert all(n == codes.count(code) for code, n in measured.sent.items())


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(OPTIONS)
def test_only_reads_leave_on_a_serial_port(brisk: None, options: dict[str, Any]) -> None:
    with pytest.MonkeyPatch.context() as patch, pty_trunk(SORTS) as trunk:
        patch.setattr(probe_trunk, "SWEEP_TIMEOUT_S", 0.005)
        patch.setattr(probe_trunk, "IDLE_S", 0.005)
        words = {"bit-rate": "115200", **options}
        if words.get("sweep"):
            words["units"] = "1"
        p = make_plan({"port": trunk.path, "timeout": "0.015", **words}, None)._replace(rate=3000.0)
        measured = Prober(p, open_line, listen_s=0.01).run()
        codes = trunk.wire.codes()
        assert set(codes) <= READ_CODES
        assert len(codes) == measured.requests


@settings(max_examples=25, deadline=None)
@given(OPTIONS, st.integers(0, 2**32))
def test_only_reads_leave_whatever_comes_back(options: dict[str, Any], seed: int) -> None:
    """Units that answer with random bytes."""
    import random

    draw = random.Random(seed)

    def noise(request: bytes, turn: int) -> list[tuple[float, bytes]]:
        return [(draw.random() / 10, bytes(draw.randrange(256) for _ in range(draw.randrange(40)))) for _ in range(draw.randrange(3))]

    p = make_plan({"port": "none", "rate": "100", "timeout": "0.05", **options}, None)
    measured, fake, _ = measure(dict.fromkeys(range(1, 7), noise), p)
    assert set(codes_of(bytes(fake.wire.received))) <= READ_CODES
    report(measured, None)


SENDING = ("write", "writelines", "send", "sendall", "sendto", "sendmsg", "sendfile", "send_break")


def test_the_source_names_no_writing_call() -> None:
    """No name of pymodbus that writes, masks or resets stands anywhere in the program."""
    from pymodbus.client.mixin import ModbusClientMixin
    from pymodbus.pdu import bit_message, diag_message, file_message, register_message

    hurting = re.compile(r"(write_|mask_write|readwrite|diag_)")
    names = {n for n in dir(ModbusClientMixin) if hurting.match(n)}
    for module in (diag_message, file_message, register_message, bit_message):
        names |= {n for n in dir(module) if re.match(r"(Write|MaskWrite|ReadWrite|.*Diagnos|Return|Clear|Force|Change|Restart)", n)}
    assert {"write_register", "write_coils", "mask_write_register", "readwrite_registers"} <= names
    assert len(names) > 30
    any_of = re.compile(r"\b(" + "|".join(sorted(names)) + r")\b")
    for file in (ROOT / "diagnose").rglob("*.py"):
        found = any_of.search(file.read_text(encoding="utf-8"))
        assert found is None, f"{file.name}: {found}"
    text = (ROOT / "diagnose" / "probe" / "lines.py").read_text(encoding="utf-8")
    sending = {ast.unparse(n) for n in ast.walk(ast.parse(text)) if isinstance(n, ast.Attribute) and n.attr in SENDING}
    assert sending == {"self._port.write", "self._socket.sendall", "self._gate.send"}
    assert text.count("self._port.write") == text.count("ReadOnly(self._port.write,") == 1
    assert text.count("self._socket.sendall") == text.count("ReadOnly(self._socket.sendall,") == 1


# ---- what is seen


def test_sound_silent_and_damaged_units() -> None:
    units: dict[int, Unit] = {1: good(), 2: good(delay=0.03), 3: damaged(5), 4: silent}
    m, _, log = measure(units, plan("1-4", timeout="0.2"))
    r = report(m, None)
    assert m.units[1].functions == {3: "data", 4: "data", 1: "data", 2: "data", 0x2B: "data", 0x11: "data"}
    assert (m.units[1].answered, polls_of(m.units[1]).failed) == (20, 0)
    assert 4 <= m.units[3].damaged <= 5  # each fifth one, the scan included
    assert m.units[4].timed_out == m.units[4].asked == 8
    assert m.units[4].left_out
    assert answers(r)["unit-answers", "units 1-2"] == "answers"
    assert answers(r)["unit-answers", "unit 3"] == "intermittently"
    assert answers(r)["poll-error-rate", "unit 3"] == f"{5 * m.units[3].damaged} %"
    assert answers(r)["unit-answers", "unit 4"] == "silent"
    assert r.figures["units"]["2"]["reply_ms"]["median"] == pytest.approx(36, abs=0.1)
    assert not r.figures["partial"]
    json.dumps(r.figures)
    for unit in m.units.values():  # two independent countings
        tally = m.tally.units[unit.address]
        assert (tally.asked, tally.silent, tally.damaged) == (unit.asked, unit.timed_out, unit.damaged)
    assert log.original().size == len(log.text)  # type: ignore[attr-defined]


def test_always_damaged_is_garbled() -> None:
    m, _, _ = measure({1: good(), 2: damaged()}, plan("1-2", timeout="0.2"))
    assert answers(report(m, None))["unit-answers", "unit 2"] == "garbled"


@pytest.mark.parametrize("delay", [0.205, 0.23, 0.265])
def test_a_late_unit(delay: float) -> None:
    """Replies come in the rest, or while the next unit is asked."""
    m, _, _ = measure({1: good(), 2: good(delay=delay), 3: good()}, plan("1-3", timeout="0.2"))
    late = m.units[2]
    assert late.late == late.asked > 0
    assert late.timed_out == 0
    assert late.late_times[0] == pytest.approx(delay, abs=0.03)
    assert polls_of(m.units[1]).failed == polls_of(m.units[3]).failed == 0
    r = report(m, None)
    assert answers(r)["raw-frames", "trunk 1"] == "late-replies"
    assert any(f"{late.late} late" in x for x in r.says)


def test_a_late_unit_alone() -> None:
    m, _, _ = measure({2: good(delay=0.23)}, plan("2", timeout="0.2"))
    assert m.units[2].late == m.units[2].asked == 20
    m, _, _ = measure({2: good(delay=0.32)}, plan("2", timeout="0.2"))  # each reply comes behind the next request
    assert m.units[2].late + m.units[2].timed_out >= 8
    assert m.units[2].twice == 0


def test_exceptions() -> None:
    """Refusing a guessed register is no fault; being busy is."""
    m, _, _ = measure({1: good(), 2: refusing(2), 3: refusing(6), 4: registers_only}, plan("1-4"))
    r = report(m, None)
    got = answers(r)
    assert got["unit-answers", "units 1-2, 4"] == "answers"
    assert got["exception-codes", "unit 3"] == "busy"
    assert not any(t.check == "exception-codes" and "2" in t.at for t in r.taken)
    assert m.units[4].functions == {3: "data", 4: "exception 01", 1: "exception 01", 2: "exception 01", 0x2B: "exception 01", 0x11: "exception 01"}
    assert r.figures["units"]["3"]["exceptions"] == {"06": 20}
    assert r.figures["units"]["3"]["error_percent"]["value"] == 100


def test_a_wrong_address_answers() -> None:
    def stranger(request: bytes, turn: int) -> list[tuple[float, bytes]]:
        return [(0.0, reply(b"\x09" + request[1:]))]

    m, _, _ = measure({1: good(), 2: stranger}, plan("1-2", timeout="0.1"))
    assert m.units[2].wrong_address == m.units[2].asked
    assert m.unexpected[9] > 0
    assert any("Good replies of addresses that nobody asked: 9." in x for x in report(m, None).says)


def test_two_units_on_one_address(base: Any, harbour: Site) -> None:
    """Seen by two answers to one request, or by two names in turn."""
    for two in (two_at_once, two_in_turn):
        m, _, _ = measure({1: good(), 4: two, 5: silent, 6: good()}, plan("1,4-6"))
        r = report(m, harbour)
        assert any("two units may have address 4" in x for x in r.says), r.says
        assert answers(r)["address-scan", "trunk 1"] == "collides"
    assert len(set(m.units[4].identities)) == 2
    assert answers(r)["identity-read", "unit 4"] == "changes"
    assert answers(r)["identity-read", "units 1, 6"] == "same-each-time"
    m, _, _ = measure({1: good(), 2: good()}, plan("1-2"))
    assert not any("two units" in x for x in report(m, None).says)


def test_two_functions_may_name_a_unit_differently() -> None:
    def act(request: bytes, turn: int) -> list[tuple[float, bytes]]:
        return [(0.0, reply(request, "type 7" if request[1] == 0x11 else "Meadow 3"))]

    m, _, _ = measure({1: act}, plan("1"))
    assert m.units[1].identities == ["Meadow 3"] * 10
    r = report(m, None)
    assert not any("two units" in x for x in r.says)
    assert answers(r)["identity-read", "unit 1"] == "same-each-time"


def test_a_register_as_a_name() -> None:
    def two(request: bytes, turn: int) -> list[tuple[float, bytes]]:
        return [(0.0, reply(request, value=(1001, 2002)[turn % 2]))] if request[1] == 3 else refusing(1)(request, turn)

    m, _, _ = measure({1: two}, plan("1", register="40"))
    assert any("goes to and fro" in x for x in report(m, None).says)
    m, _, _ = measure({1: two}, plan("1"))  # nobody has said that the register is a name
    assert not any("goes to and fro" in x for x in report(m, None).says)


def test_an_adapter_that_hears_itself() -> None:
    m, _, _ = measure({}, plan("1-2"), Wire({1: good(), 2: good()}, echo=True))
    r = report(m, None)
    assert m.echoes > 40
    assert polls_of(m.units[1]).failed == 0
    assert answers(r)["unit-answers", "units 1-2"] == "answers"
    assert any("hears what it sends" in x for x in r.says)


POLL_OF_ANOTHER = framed(b"\x07\x03\x00\x00\x00\x02")


def test_another_controller_is_noticed() -> None:
    with pytest.raises(EvidenceError, match="another controller is polling this trunk"):
        measure({1: good()}, plan("1"), chatter=[(0.4, POLL_OF_ANOTHER)])
    m, _, _ = measure({1: good()}, plan("1"), chatter=[(1.1 + n / 10, POLL_OF_ANOTHER) for n in range(9)])
    assert "another controller polls this trunk at the same time" in m.stopped
    assert not m.interrupted
    assert m.requests < 29


def test_noise_before_anybody_is_asked() -> None:
    m, _, _ = measure({1: good()}, plan("1"), chatter=[(0.1, b"\xf8\x00\xfe")])
    assert any("3 bytes were heard before" in x for x in report(m, None).says)


# ---- settings


def test_the_sweep_finds_rate_and_parity(base: Any, harbour: Site) -> None:
    odd = Setting(9600, "odd", 1)
    m, fake, _ = measure({1: good(), 2: good()}, plan("1-2", sweep=True, timeout="0.2"), wants={1: odd, 2: odd})
    tried = [row.setting for row in m.sweep]
    assert tried[:3] == [EVEN_19200, Setting(19_200, "odd", 1), Setting(19_200, "none", 2)]
    assert tried[-1] == odd  # stops where both answer
    assert m.setting == odd == fake.setting
    assert m.units[1].answered == 20
    assert any(f"Address 1-2 answers at {odd}." in x for x in report(m, None).says)


def test_one_unit_at_another_rate(base: Any, harbour: Site) -> None:
    slow = Setting(9600, "even", 1)
    p = plan("2-4", harbour, sweep=True, timeout="0.2", rounds="8")
    assert p.recorded
    m, _, _ = measure({n: good() for n in (2, 3, 4)}, p, wants={3: slow})
    assert m.setting == EVEN_19200
    r = report(m, harbour)
    assert answers(r)["unit-port-shown", "unit 3"] == "wrong-rate"
    assert answers(r)["unit-answers", "unit 3"] == "silent"
    assert first_suspect(base, r) == ("wrong-rate-at-unit", "unit 3")


def test_a_unit_with_another_parity(base: Any, harbour: Site) -> None:
    """A receiver that checks parity hands on zeros for the characters that do not fit."""

    def other(request: bytes, turn: int) -> list[tuple[float, bytes]]:
        return [(0.0, bytes(0 if b.bit_count() & 1 else b for b in reply(request, value=12_345)))]

    units: dict[int, Unit] = {n: good() for n in range(2, 13)}
    units[6] = other
    m, _, _ = measure(units, plan("2-12", harbour, timeout="0.2"))
    r = report(m, harbour)
    assert answers(r)["unit-port-shown", "unit 6"] == "wrong-parity"
    assert any(x.startswith("Address 6 is set to another parity") for x in r.says)
    assert first_suspect(base, r) == ("parity-wrong-at-unit", "unit 6")


def test_the_sweep_tells_of_garbled_answers() -> None:
    none = Setting(19_200, "none", 2)
    m, _, _ = measure({1: good()}, plan("1", sweep=True, timeout="0.2"), wants={1: none}, garbles=True)
    assert [row.garbled for row in m.sweep] == [[1], [1], []]
    assert any("something answers for address 1, but damaged" in x for x in report(m, None).says)
    m, _, _ = measure({}, plan("1", sweep=True, timeout="0.05"))
    assert len(m.sweep) == len(settings_to_try(EVEN_19200)) == 24
    assert any("At none of 24 settings" in x for x in report(m, None).says)


def test_the_sweep_on_a_port_sets_the_bit_rate(brisk: None) -> None:
    """The peer reads the bit rate off the terminal itself."""
    with pytest.MonkeyPatch.context() as patch, pty_trunk({1: good(), 2: good()}, at_rate={1: 38_400, 2: 38_400}) as trunk:
        patch.setattr(probe_trunk, "SWEEP_TIMEOUT_S", 0.01)
        p = make_plan({"port": trunk.path, "units": "1-2", "timeout": "0.05", "sweep": True, "rounds": "3"}, None)._replace(rate=3000.0)
        m = Prober(p, open_line, listen_s=0.0).run()
    assert m.setting.bit_rate == 38_400
    assert m.units[1].answered == 3


# ---- how fast, how many


@pytest.mark.parametrize("rate", [0.5, 3.0, 20.0])
def test_no_more_requests_than_asked_for(rate: float) -> None:
    clock = Clock()
    fake = FakeLine(Wire({1: good(), 2: silent}), clock)
    p = plan("1-2", rounds="10", timeout="0.1")._replace(rate=rate)
    Prober(p, fake.open, clock=clock).run()
    times = [at for at, _ in fake.sent]
    steps = [b - a for a, b in pairwise(times)]
    assert len(times) > 25
    assert min(steps) >= 1 / rate - 1e-9
    assert len(times) <= (times[-1] - times[0]) * rate + 1 + 1e-6


def test_the_silent_interval_is_kept() -> None:
    """At 1200 bit/s it is 32 ms, on top of the pause."""
    clock = Clock()
    fake = FakeLine(Wire({1: good()}), clock)
    p = plan("1", rounds="5", bit_rate="1200")._replace(rate=3000.0)
    prober = Prober(p, fake.open, clock=clock)
    heard: list[float] = []
    plain = fake.hear
    fake.hear = lambda wait: (heard.append(clock.now) or d) if (d := plain(wait)) else d  # type: ignore[method-assign,func-returns-value]
    prober.run()
    for at, _ in fake.sent[1:]:
        assert at - max(h for h in heard if h <= at) >= 38.5 / 1200 + probe_plan.PAUSE_S - 1e-6


def test_many_addresses_are_left_sooner() -> None:
    m, fake, _ = measure({1: good()}, plan("1-40", timeout="0.05", rounds="4"))
    assert m.units[1].asked == 4
    assert m.units[30].asked == 3
    assert len([f for _, f in fake.sent if f[0] == 30]) == 5


# ---- stopping


def test_a_stop_at_any_moment_gives_what_there_is() -> None:
    for after in (0, 1, 2, 5, 9, 14, 23, 60):
        clock = Clock()
        fake = FakeLine(Wire({1: good(), 2: silent, 3: damaged(2)}), clock)
        prober = Prober(plan("1-3", timeout="0.2"), fake.open, stop=lambda n=after, f=fake: len(f.sent) > n, clock=clock)  # type: ignore[misc]
        m = prober.run()
        assert fake.closed == 1
        assert m.interrupted
        r = report(m, None)
        assert r.says[0].startswith("Partial: it was stopped after")
        assert r.figures["partial"]
        codes_of(bytes(fake.wire.received))  # whole frames only
        assert m.requests == len(fake.sent) <= after + 1


def test_an_adapter_that_is_pulled(brisk: None) -> None:
    with pty_trunk({1: good()}) as trunk:
        p = make_plan({"port": trunk.path, "units": "1", "rounds": "400", "rate": "100"}, None)
        timer = threading.Timer(0.5, trunk.unplug)
        timer.start()
        m = Prober(p, open_line, listen_s=0.0).run()
        timer.join()
    assert "the port went away" in m.stopped
    assert m.requests > 5
    assert report(m, None).figures["partial"]


def test_a_full_disk() -> None:
    class Full(io.BytesIO):
        def write(self, data: Any) -> int:
            if self.tell() > 2000:
                raise OSError(errno.ENOSPC, "No space left on device")
            return super().write(data)

    clock = Clock()
    fake = FakeLine(Wire({1: good()}), clock)
    prober = Prober(plan("1"), fake.open, clock=clock)
    prober.log = ExchangeLog("x", Full(), zero=prober.zero)
    m = prober.run()
    assert m.stopped == "the log cannot be written any more (No space left on device)"
    assert fake.closed == 1
    assert report(m, None).figures["partial"]


def test_a_gateway_that_hangs_up(brisk: None) -> None:
    with gateway({1: good()}) as peer:
        p = make_plan({"host": f"127.0.0.1:{peer.port}", "units": "1", "rounds": "400", "rate": "100"}, None)
        timer = threading.Timer(0.3, lambda: [s.shutdown(2) for s in peer._open])
        timer.start()
        m = Prober(p, open_line).run()
        timer.join()
    assert "the gateway closed the connection" in m.stopped


# ---- gateways


def test_behind_a_gateway(brisk: None) -> None:
    with gateway({1: good(), 2: refusing(0x0A), 3: good(delay=0.12)}, tells_silence=True) as peer:
        p = make_plan({"host": f"127.0.0.1:{peer.port}", "units": "1-4", "rounds": "6", "timeout": "0.08"}, None)._replace(rate=3000.0)
        m = Prober(p, open_line).run()
    r = report(m, None)
    got = answers(r)
    assert got["unit-answers", "unit 3"] == "intermittently"
    assert got["unit-answers", "unit 1"] == "answers"
    assert got["unit-answers", "units 2, 4"] == "silent"
    assert got["exception-codes", "unit 2"] == "gateway-path"
    assert got["exception-codes", "unit 4"] == "target-silent"
    assert m.units[3].late >= 4
    assert got["gateway-port", "trunk 1"] == "connects"
    assert not any(t.check == "raw-frames" for t in r.taken)
    assert r.figures["line"] == "tcp"


def test_what_is_no_gateway(brisk: None) -> None:
    import socket

    server = socket.create_server(("127.0.0.1", 0))

    def greet() -> None:
        peer, _ = server.accept()
        peer.sendall(b"220 welcome to something else\r\n")
        time.sleep(0.3)
        peer.close()

    threading.Thread(target=greet, daemon=True).start()
    p = make_plan({"host": f"127.0.0.1:{server.getsockname()[1]}", "units": "1"}, None)
    m = Prober(p, open_line).run()
    server.close()
    assert m.stopped == "what answers there does not speak Modbus TCP"


# ---- peers that others wrote


@pytest.fixture
def pymodbus_tcp() -> Iterator[int]:
    """Units 1 to 3 of pymodbus behind TCP."""
    from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
    from pymodbus.server import ModbusTcpServer

    loop, ready, port = asyncio.new_event_loop(), threading.Event(), []

    async def serve() -> None:
        devices = {u: ModbusDeviceContext(hr=ModbusSequentialDataBlock(1, [u * 100] * 20)) for u in (1, 2, 3)}
        server = ModbusTcpServer(ModbusServerContext(devices=devices), address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        port.append(server.transport.sockets[0].getsockname()[1])
        ready.set()

    def run() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(serve())
        loop.run_forever()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(5)
    yield port[0]
    loop.call_soon_threadsafe(loop.stop)
    thread.join(2)


def test_units_of_pymodbus(brisk: None, pymodbus_tcp: int) -> None:
    p = make_plan({"host": f"127.0.0.1:{pymodbus_tcp}", "units": "1-3", "rounds": "20"}, None)._replace(rate=3000.0)
    m = Prober(p, open_line).run()
    assert m.units[2].functions[3] == "data"
    assert m.units[2].functions[0x2B] == "data"
    assert m.units[2].values[0] == b"\x02\x00\xc8"
    assert answers(report(m, None))["unit-answers", "units 1-3"] == "answers"


def test_units_of_pymodbus_on_a_serial_port(brisk: None) -> None:
    from tests.evidence.record_serial import Wire as Recorder
    from tests.evidence.record_serial import pymodbus_units

    wire = Recorder("corrupted", 1)
    stop = pymodbus_units(wire.unit_paths[0])
    p = make_plan({"port": wire.controller_path, "units": "5-6", "rounds": "6", "timeout": "0.15"}, None)._replace(rate=3000.0)
    m = Prober(p, open_line, listen_s=0.0).run()
    wire.stop = True
    threading.Thread(target=stop, daemon=True).start()  # the units take their time to end
    assert polls_of(m.units[5]).failed == 0
    assert m.damaged == wire.hurt > 0
    assert set(codes_of(b"".join(e.data for e in wire.events if e.way == "TX"))) <= READ_CODES


def test_units_of_the_c_library(brisk: None) -> None:
    from tests.evidence import record_serial

    if record_serial.libmodbus() is None:
        pytest.skip("the library libmodbus is not installed")
    wire = record_serial.Wire("silent", len(record_serial.UNITS))
    stop = record_serial.libmodbus_units(wire.unit_paths)
    p = make_plan({"port": wire.controller_path, "units": "4-5", "rounds": "3", "timeout": "0.12"}, None)._replace(rate=3000.0)
    m = Prober(p, open_line, listen_s=0.0).run()
    wire.stop = True
    threading.Thread(target=stop, daemon=True).start()  # the units take their time to end
    assert m.units[4].functions == {3: "data", 4: "data", 1: "data", 2: "data", 0x11: "data", 0x2B: "silent"}
    assert "LMB" in m.units[4].identities[0]
    got = answers(report(m, None))
    assert got.get(("unit-answers", "unit 4")) == "answers", (got, m.samples, m.units)
    assert got["unit-answers", "unit 5"] == "silent"


# ---- the log, the readings


def test_the_log_is_read_back(tmp_path: Path) -> None:
    """The reader of captures finds the same in the log as the probe did."""
    m, _, log = measure({1: good(), 2: damaged(3), 3: silent}, plan("1-3", timeout="0.2", rounds="40"))
    file = tmp_path / "exchange.log"
    file.write_bytes(log.text)  # type: ignore[attr-defined]
    read, original = take_in(file, None)
    assert read.kind == "serial-capture"
    assert original.sha256 == log.original().sha256
    seen = {u: f["asked"] for u, f in read.figures["units"].items()}
    assert sum(seen.values()) == m.requests
    assert answers(read)["unit-answers", "unit 1"] == "answers"
    assert answers(read)["unit-answers", "unit 2"] == "intermittently"
    assert answers(read)["unit-answers", "unit 3"] == "silent"
    spot = next(t for t in report(m, None).taken if t.at == "unit 3" and t.check == "unit-answers")
    line = int(re.findall(r"\d+", spot.lines)[0])
    assert b" TX 03 03 " in log.text.splitlines()[line - 1]  # type: ignore[attr-defined]


def first_suspect(base: Any, r: Report) -> tuple[str, str]:
    """The first suspect of a case with these readings at the harbour site; every one must be a valid answer."""
    from diagnose.casework.casefile import EPOCH
    from diagnose.casework.state import take_answer

    site = base.assessor and Path(HARBOUR).read_text(encoding="utf-8")
    opened = {"title": "t", "record": site, "role": "technician", "complaint": ""}
    events = [Event("e1", "c", 1, EPOCH, "opened", opened, "technician")]
    for n, t in enumerate(r.taken, 2):
        assert take_answer is not None
        events.append(Event(f"e{n}", "c", n, EPOCH, "reading", {"check": t.check, "at": t.at, "answer": t.answer}, "technician"))
    a = base.assessor.assess(events)
    assert not a.notices, a.notices
    return a.suspects[0].fault, str(a.suspects[0].places[0][0])


@pytest.mark.parametrize(
    ("victim", "act", "fault"), [(4, two_at_once, "duplicate-address"), (6, refusing(6), "unit-busy")], ids=["two", "busy"]
)
def test_the_right_fault_comes_first(base: Any, harbour: Site, victim: int, act: Unit, fault: str) -> None:
    units: dict[int, Unit] = {n: good() for n in range(2, 13)}
    units[victim] = act
    if fault == "duplicate-address":
        units[9] = silent
    m, _, _ = measure(units, plan("2-12", harbour, timeout="0.2"))
    assert first_suspect(base, report(m, harbour))[0] == fault


def test_a_full_scan_against_the_plan(harbour: Site) -> None:
    units: dict[int, Unit] = {n: good() for n in range(2, 13)}
    whole = plan("1-247", harbour, timeout="0.05", rounds="3")
    assert answers(report(measure(units, whole)[0], harbour))["address-scan", "trunk 1"] == "as-planned"
    del units[7]
    assert answers(report(measure(units, whole)[0], harbour))["address-scan", "trunk 1"] == "units-missing"
    units[77] = good()
    assert answers(report(measure(units, whole)[0], harbour))["address-scan", "trunk 1"] == "unexpected"


# ---- pure parts


@pytest.mark.parametrize("asked", [1, 3, 20, 250])
def test_the_interval_solves_its_equation(asked: int) -> None:
    """Each bound p fulfils |k/n - p| = z sqrt(p (1 - p) / n), which is how Wilson defined it."""
    for bad in range(asked + 1):
        s = wilson(bad, asked)
        assert 0 <= s.low <= s.share <= s.high <= 1
        for p in (s.low, s.high):
            if 0 < p < 1:
                assert abs(bad / asked - p) == pytest.approx(1.959964 * (p * (1 - p) / asked) ** 0.5, abs=1e-9)
    with pytest.raises(ValueError, match="no share"):
        wilson(3, 2)


def test_published_intervals() -> None:
    """0, 1 and 5 of 10, as tables of the interval print them."""
    assert wilson(0, 10)[1:] == pytest.approx((0, 0.2775), abs=1e-4)
    assert wilson(1, 10)[1:] == pytest.approx((0.0179, 0.4042), abs=1e-4)
    assert wilson(5, 10)[1:] == pytest.approx((0.2366, 0.7634), abs=1e-4)


@given(st.lists(st.floats(0, 20), max_size=60))
def test_every_reply_is_in_one_bin(times: list[float]) -> None:
    bins = histogram(times)
    assert sum(b.replies for b in bins) == len(times)
    for b in bins:
        assert b.replies == sum(b.low <= 1000 * t < (b.high or 1e9) for t in times)


@pytest.mark.parametrize("width", [20, 40, 100])
def test_the_drawing_fits(width: int) -> None:
    m, _, _ = measure({1: good(), 2: good(delay=0.03), 200: good(delay=0.3)}, plan("1-2,200"))
    texts = drawing(m.units.values(), width)
    assert all(len(t) <= max(width, 50) for t in texts[1:])
    assert len(texts) >= 4
    if width >= 40:
        assert all(len(t) <= width for t in texts[1:])
    assert "█" in texts[1]
    assert all(t.isascii() for t in drawing(m.units.values(), width, probe_result.PLAIN_BLOCKS))


def test_identities() -> None:
    request = framed(b"\x05\x2b\x0e\x01\x00")
    seen = look(5, 0x2B, request, b"\x00" + reply(request, "Meadow 3"))
    assert seen.answered
    assert identity(seen.reply) == "Meadow 3"
    assert identity(reply(framed(b"\x05\x11"), "abc")) == "abc"
    assert "\x1b" not in identity(reply(request, "a\x1b[2Jb"))
    assert not look(5, 0x2B, request, reply(request, "Meadow 3")[:-1]).answered


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=80))
def test_looking_never_fails(data: bytes) -> None:
    for function in READS:
        look(5, function, framed(b"\x05\x03\x00\x00\x00\x01"), data)
        look(5, function, b"", bytes((5, function)) + data)


@pytest.mark.parametrize(
    ("text", "units"), [("1-3", (1, 2, 3)), ("7", (7,)), ("1,4, 7-8", (1, 4, 7, 8)), ("3,1-4", (3, 1, 2, 4)), ("1-247", tuple(range(1, 248)))]
)
def test_lists_of_addresses(text: str, units: tuple[int, ...]) -> None:
    assert read_units(text) == units


@given(st.text(max_size=20))
def test_odd_lists_are_refused_in_a_line(text: str) -> None:
    try:
        units = read_units(text)
    except EvidenceError as error:
        assert "\n" not in str(error)  # noqa: PT017
        return
    assert all(1 <= u <= 247 for u in units)


def test_the_record_gives_the_setting(harbour: Site) -> None:
    p = plan("2-12", harbour)
    assert (p.setting, p.recorded) == (EVEN_19200, True)
    assert not plan("2-12", harbour, bit_rate="9600").recorded
    assert plan("1", parity="none").setting.stop_bits == 2


# ---- from the command line

HERE = ("--units", "1-2", "--yes")
WRONG = [
    (("--host", "127.0.0.1"), "which addresses"),
    (("--units", "1-2"), "either --port PATH of a serial adapter or --host"),
    (("--port", "a", "--host", "b", *HERE), "either --port"),
    (("--port", "a", "--units", "0", "--yes"), "broadcast"),
    (("--port", "a", "--units", "1-248", "--yes"), "address 248"),
    (("--port", "a", "--units", "9-3", "--yes"), "backwards"),
    (("--port", "a", "--units", "all", "--yes"), "no list of addresses"),
    (("--port", "a", *HERE, "--parity", "mark"), "even, odd or none"),
    (("--port", "a", *HERE, "--stop-bits", "3"), "1 or 2"),
    (("--port", "a", *HERE, "--rate", "0"), "--rate '0' cannot be used"),
    (("--port", "a", *HERE, "--rate", "-1"), "--rate '-1' cannot be used"),
    (("--port", "a", *HERE, "--rate", "nan"), "--rate 'nan'"),
    (("--port", "a", *HERE, "--rounds", "0"), "--rounds"),
    (("--port", "a", *HERE, "--timeout", "0"), "--timeout"),
    (("--port", "a", *HERE, "--register", "65536"), "--register"),
    (("--port", "a", *HERE, "--bit-rate", "fast"), "--bit-rate"),
    (("--port", "no-such-port", *HERE), "there is no port 'no-such-port'"),
    (("--port", "/dev/null", *HERE), "cannot be used as a serial port"),
    (("--port", "/", *HERE), "port"),
    (("--host", "127.0.0.1:1", *HERE), "refuses the connection"),
    (("--host", "nowhere.invalid", *HERE), "not known"),
    (("--host", "a:b:c", *HERE), "--host"),
    (("--host", "127.0.0.1:99999", *HERE), "ports are 1 to 65535"),
    (("--host", "127.0.0.1", *HERE, "--sweep"), "--sweep belongs to a serial port"),
    (("--host", "127.0.0.1", *HERE, "--parity", "odd"), "--parity belongs to a serial port"),
    (("--port", "no-such-port", "--units", "1-2"), "with --yes, since nobody can be asked here"),
    (("--port", "no-such-port", *HERE, "--record", "none.yaml"), "cannot be read"),
    (("--port", "no-such-port", *HERE, "--log", "/no/such/folder/x.log"), "cannot be written"),
]


@pytest.mark.parametrize(("words", "says"), WRONG, ids=lambda w: " ".join(w)[-30:] if isinstance(w, tuple) else "")
def test_what_cannot_be_done_is_one_line(words: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["probe", "trunk", *words]) == 2
    got = capsys.readouterr()
    assert got.out == ""
    assert says in got.err
    assert got.err.count("\n") == 1
    assert "Traceback" not in got.err


def test_missing_packages(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    import importlib.util

    plain = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "pymodbus" else plain(name, *a))
    assert main(["probe", "trunk", "--port", "a", *HERE]) == 2
    assert "pip install 'diagnose[live]'" in capsys.readouterr().err


def test_a_port_that_is_in_use(capsys: pytest.CaptureFixture[str]) -> None:
    import serial

    with pty_trunk({1: good()}) as trunk:
        held = serial.Serial(trunk.path, exclusive=True)
        assert main(["probe", "trunk", "--port", trunk.path, *HERE]) == 2
        assert "is in use by another program" in capsys.readouterr().err
        held.close()


@pytest.mark.parametrize(
    ("number", "says"),
    [(errno.EACCES, "you are not allowed"), (errno.EBUSY, "is in use"), (errno.ENOENT, "there is no port"), (errno.EIO, "check its name")],
)
def test_ports_that_cannot_be_opened(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], number: int, says: str) -> None:
    import serial

    def refuse(*_: object, **__: object) -> None:
        raise serial.SerialException(number, f"could not open port x: {os.strerror(number)}")

    monkeypatch.setattr(serial, "Serial", refuse)
    assert main(["probe", "trunk", "--port", "x", *HERE]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1


@pytest.mark.skipif(os.geteuid() == 0, reason="root may open everything")
def test_a_port_that_is_not_for_everybody(capsys: pytest.CaptureFixture[str]) -> None:
    with pty_trunk({}) as trunk:
        os.chmod(trunk.path, 0)
        assert main(["probe", "trunk", "--port", trunk.path, *HERE]) == 2
        assert "you are not allowed" in capsys.readouterr().err


def test_json_has_the_shape_of_evidence(tmp_path: Path, capsys: pytest.CaptureFixture[str], brisk: None) -> None:
    log = tmp_path / "exchange.log"
    with gateway({1: good(), 2: silent}) as peer:
        words = [
            "probe", "trunk", "--host", f"127.0.0.1:{peer.port}", *HERE, "--rounds", "3", "--rate", "100",
            "--timeout", "0.03", "--log", str(log),
        ]
        assert main([*words, "--json"]) == 0
        value = json.loads(capsys.readouterr().out)
        assert main(words) == 2  # the log is there already
    capsys.readouterr()
    assert main(["evidence", str(log), "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)) == set(value)
    assert value["kind"] == "trunk-probe"
    assert value["file"]["bytes"] == log.stat().st_size
    assert {r["answer"] for r in value["readings"] if r["check"] == "unit-answers"} == {"answers", "silent"}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_process_ends_cleanly(tmp_path: Path, number: int) -> None:
    with pty_trunk({1: good(), 2: silent}) as trunk:
        words = [
            "probe", "trunk", "--port", trunk.path, *HERE, "--rounds", "500", "--rate", "50", "--timeout",
            "0.1", "--json", "--log", "exchange.log",
        ]
        program = subprocess.Popen(
            [PYTHON, "-m", "diagnose", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path, env=environment(tmp_path), text=True
        )
        until = time.monotonic() + 15
        while len(trunk.wire.received) < 100 and time.monotonic() < until:
            time.sleep(0.02)
        program.send_signal(number)
        sent = time.monotonic()
        out, err = program.communicate(timeout=15)
        took = time.monotonic() - sent
        assert (program.returncode, err) == (130, "")
        value = json.loads(out)
        assert value["figures"]["partial"]
        assert value["says"][0].startswith("Partial: it was stopped after")
        assert took < 3
        assert set(trunk.wire.codes()) <= READ_CODES  # whole frames to the last
        assert len(trunk.wire.codes()) == value["figures"]["requests"]
        assert (tmp_path / "exchange.log").stat().st_size == value["file"]["bytes"]


def test_the_page_holds_to_what_it_shows(brisk: None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """The example of the page is run against the peer that it tells of."""
    monkeypatch.setattr(probe_plan, "MOST_RATE", 3000.0)
    page = (ROOT / "docs" / "evidence" / "probe-trunk.md").read_text(encoding="utf-8")
    command, shown = re.search(r"```console\n\$ diagnose (probe trunk .*?)\n(.*?)```", page, re.S).groups()  # type: ignore[union-attr]
    with gateway({1: good("Meadow 1"), 2: registers_only, 3: silent}) as peer:
        words = shlex.split(command.replace("192.168.10.5", f"127.0.0.1:{peer.port}"))
        assert main([*words, "--rate", "3000", "--timeout", "0.05"]) == 0
    out = capsys.readouterr().out
    wanted = [line for line in shown.splitlines() if line.startswith("- ") and "192.168" not in line]
    assert len(wanted) >= 4
    for line in wanted:
        assert line in out, line
    figures = json.dumps(_all_figures())
    for name in set(re.findall(r"`([a-z0-9]+(?:-[a-z0-9]+)+)`", page.partition("## Figures")[2])):
        assert f'"{name}"' in figures, name


def _all_figures() -> dict[str, Any]:
    m, _, _ = measure({1: good(), 2: good(delay=0.3)}, plan("1-2", sweep=True, timeout="0.2"))
    return probe_result.figures(m)
