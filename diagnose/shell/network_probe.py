"""The probe of the way to the back office: how far it lets through, run with a clean stop."""

from __future__ import annotations

import os
import signal
import sys
import threading
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from diagnose.shell.folders import path_of
from diagnose.shell.paint import is_terminal, plain_text
from diagnose.shell.refusal import Refusal
from diagnose.source.problems import one_line

if TYPE_CHECKING:
    from diagnose.evidence.intake import Original
    from diagnose.evidence.report import Report
    from diagnose.site.model import Site


def network_report(
    words: Namespace, site: Site | None = None, tell: Callable[[str], None] | None = None
) -> tuple[Report, Original]:
    """What the probe shows; stopped by Ctrl-C or a request to end, what it shows so far. Raises Refusal.

    `tell` is told each step as it begins; without it the step is shown on stderr.
    """
    from diagnose.evidence.reader import EvidenceError
    from diagnose.probe.ladder import Wish
    from diagnose.probe.network import probe
    from diagnose.probe.target import read_subprotocols, read_target, read_time_server, read_timeout

    given: Callable[[str], Any] = lambda name: getattr(words, name, None)  # noqa: E731
    try:
        wish = Wish(
            read_target(words.target),
            read_subprotocols(given("subprotocol"), ()),
            read_time_server(given("clock_from")) if given("clock_from") else None,
            read_timeout(given("timeout")),
            given("seen_from") or "switch",
            _unit(given("unit"), site),
            str(path_of(given("ca"))) if given("ca") else "",
            bool(given("made_up")),
        )
        with _stoppable():
            if tell is not None:
                return probe(wish, site, progress=tell)
            with _progress(bool(given("no_color"))) as progress:
                return probe(wish, site, progress=progress)
    except EvidenceError as error:
        raise Refusal(one_line(str(error))) from None


def _unit(text: str | None, site: Site | None) -> int:
    if text is None:
        return 0
    if not text.isascii() or not text.isdecimal() or len(text) > 4 or (site is not None and int(text) not in site.units):
        raise Refusal(f"there is no unit {one_line(text, 20)}; give the number of a unit in the install record")
    return int(text)


@contextmanager
def _stoppable() -> Iterator[None]:
    """A request to end (SIGTERM) stops the probe as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _progress(plain: bool) -> Iterator[Callable[[str], None]]:
    """Shows the step on stderr: a moving line on a terminal that can, lines on one that cannot, else nothing."""
    if not is_terminal(sys.stderr):
        yield lambda text: None
        return
    encoding = getattr(sys.stderr, "encoding", None) or "utf-8"
    if plain or os.environ.get("ACCESSIBLE") or os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":

        def line(text: str) -> None:
            sys.stderr.write(plain_text(f"{one_line(text, 60)} ...", encoding) + "\n")
            sys.stderr.flush()

        yield line
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(stderr=True, highlight=False)
    with console.status(Text("begins"), spinner="line") as status:
        yield lambda text: status.update(Text(plain_text(one_line(text, 60), encoding)))
