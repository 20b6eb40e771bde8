"""The probe of the way to the back office: how far it lets through, run with a clean stop."""

from __future__ import annotations

import signal
import threading
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from diagnose.evidence.intake import Original
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.report import Report
from diagnose.probe.ladder import Wish
from diagnose.probe.network import probe
from diagnose.probe.target import read_subprotocols, read_target, read_time_server, read_timeout
from diagnose.shell.folders import path_of
from diagnose.shell.progress import status
from diagnose.shell.refusal import Refusal
from diagnose.site.model import Site
from diagnose.source.problems import one_line


def network_report(
    words: Namespace, site: Site | None = None, tell: Callable[[str], None] | None = None
) -> tuple[Report, Original]:
    """What the probe shows; stopped by Ctrl-C or a request to end, what it shows so far. Raises Refusal.

    `tell` is told each step as it begins; without it the step is shown on stderr.
    """
    given: Callable[[str], Any] = lambda name: getattr(words, name, None)  # noqa: E731
    try:
        wish = Wish(
            target=read_target(words.target),
            subprotocols=read_subprotocols(given("subprotocol"), ()),
            clock_from=read_time_server(given("clock_from")) if given("clock_from") else None,
            timeout=read_timeout(given("timeout")),
            seen_from=given("seen_from") or "switch",
            unit=_unit(given("unit"), site),
            issuers=str(path_of(given("ca"))) if given("ca") else "",
            made_up=bool(given("made_up")),
        )
        with _stoppable():
            if tell is not None:
                return probe(wish, site, progress=tell)
            with status(bool(given("no_color"))) as progress:
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
