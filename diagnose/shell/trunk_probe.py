"""The probe of a live trunk: what it will do and what to see to before, the run with a clean stop, its reply times."""

from __future__ import annotations

import signal
import sys
import threading
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, NamedTuple

from diagnose.evidence.intake import Original
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.report import Report
from diagnose.probe.lines import need_packages, open_line
from diagnose.probe.plan import ProbePlan, about_s, make_plan, plan_text
from diagnose.probe.result import BLOCKS, PLAIN_BLOCKS, drawing, report
from diagnose.probe.trunk import ExchangeLog, Measured, Prober
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell.folders import path_of
from diagnose.shell.progress import bar
from diagnose.shell.refusal import Refusal
from diagnose.site.model import Site
from diagnose.source.problems import one_line, shown

CAUTIONS = (
    "While another controller polls the same trunk, this disturbs it, and it disturbs this: two controllers on one trunk."
    " Stop it, or disconnect it from the trunk, and start it again afterwards.",
    "Connect the adapter only where no cover over mains parts has to be opened; otherwise a qualified person does it, with the supply locked out.",
)
QUESTION = "Is every other controller of this trunk stopped or disconnected?"


class Probed(NamedTuple):
    """A probe that was run: what a case takes of it, and everything that was measured."""

    report: Report
    original: Original
    measured: Measured


def plan_of(words: Namespace, site: Site | None) -> ProbePlan:
    """What the options ask for. Raises Refusal in one line, also where a package is missing."""
    options = {name.replace("_", "-"): value for name, value in vars(words).items()}
    try:
        plan = make_plan(options, site)
        need_packages()
    except EvidenceError as error:
        raise Refusal(one_line(str(error))) from None
    return plan


def caution_lines(plan: ProbePlan, width: int) -> list[Line]:
    """What will be done, and what must be seen to before."""
    minutes = about_s(plan) / 60
    lines = wrap("text", one_line(plan_text(plan)), width)
    lines += wrap("text", f"It only reads. It takes about {max(1, round(minutes))} min, longer where units are silent. Ctrl-C stops it.", width)
    return [*lines, *(x for text in CAUTIONS for x in wrap("warn", f"! {text}", width, "", "  "))]


def run_plan(words: Namespace, plan: ProbePlan, site: Site | None, say: Callable[[str], None] | None = None) -> Probed:
    """Run it with a clean stop, and a progress bar or, where `say` is given, lines. Raises Refusal where it cannot be begun."""
    with _log_file(getattr(words, "log", None)) as stream, _stoppable() as stop, bar(say) as tell:
        name = Path(words.log).name if getattr(words, "log", None) else "probe-trunk.log"
        prober = Prober(plan, open_line, stop=stop, tell=tell)
        prober.log = ExchangeLog(one_line(name, 200), stream, zero=prober.zero)
        try:
            measured = prober.run()
        except EvidenceError as error:
            raise Refusal(one_line(str(error))) from None
    return Probed(report(measured, site), prober.log.original(), measured)


def time_lines(m: Measured, width: int) -> list[Line]:
    """The reply times as a drawing."""
    try:
        BLOCKS.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
        blocks = BLOCKS
    except (UnicodeEncodeError, LookupError):
        blocks = PLAIN_BLOCKS
    texts = drawing(m.units.values(), width, blocks)
    return [BLANK, *wrap("title", texts[0], width, "", "  "), *(Line("text", t) for t in texts[1:])] if texts else []


@contextmanager
def _log_file(name: str | None) -> Iterator[IO[bytes] | None]:
    """The new file for the exchange; nothing is overwritten."""
    if not name:
        yield None
        return
    path = path_of(name)
    try:
        stream = path.open("xb")
    except FileExistsError:
        raise Refusal(f"the file {shown(name)} is there already; name a new one for --log") from None
    except (OSError, ValueError) as error:
        raise Refusal(f"the log {shown(name)} cannot be written ({getattr(error, 'strerror', None) or 'no such name'}); name another file") from None
    with stream:
        yield stream


@contextmanager
def _stoppable() -> Iterator[Callable[[], bool]]:
    """Ctrl-C and SIGTERM ask for the end; a second Ctrl-C does not wait for it."""
    asked: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return

    def ask(number: int, frame: object) -> None:
        if asked and number == signal.SIGINT:
            raise KeyboardInterrupt
        asked.append(number)

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield lambda: bool(asked)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
