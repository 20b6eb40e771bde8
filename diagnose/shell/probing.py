"""Live probes in a running case: asked for once, run, shown, and recorded like a file of evidence."""

from __future__ import annotations

import os
import shlex
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from typing import NoReturn

from diagnose.report.lines import Line, wrap
from diagnose.shell import probe_options
from diagnose.shell.dialog import Talk, once, yes_or_no
from diagnose.shell.evidence import offer
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import command
from diagnose.shell.taking import the_state
from diagnose.source.problems import one_line, shown

EXAMPLE = "probe trunk --port /dev/ttyUSB0 --units 1-12"
KINDS = {"trunk": probe_options.trunk_options, "network": probe_options.network_options}


class _Parser(ArgumentParser):
    """Raises what is wrong instead of ending the program."""

    def error(self, message: str) -> NoReturn:
        raise Refusal(f"{one_line(message)}; write for instance: {EXAMPLE}")


@command("probe", "trunk|network OPTIONS", "ask a live trunk or network, only reading")
def take(s: OpenCase, rest: str) -> list[Line]:
    """`probe trunk ...` or `probe network ...`, with the options of the command line."""
    words = read_words(rest)
    talk = _trunk if words.probe == "trunk" else _network
    return s.talk(lambda: talk(s, words))


def read_words(rest: str) -> Namespace:
    """The options as typed. Raises Refusal."""
    try:
        parts = shlex.split(rest, posix=os.name != "nt")
    except ValueError:
        raise Refusal("a quotation mark is missing; close it") from None
    if not parts or parts[0] not in KINDS:
        said = f"probe what? {shown(parts[0])} is neither trunk nor network;" if parts else "probe what, trunk or network?"
        raise Refusal(f"{said} write for instance: {EXAMPLE}")
    parser = _Parser(prog=f"probe {parts[0]}", add_help=False, allow_abbrev=False)
    KINDS[parts[0]](parser)
    words = parser.parse_args(parts[1:])
    if getattr(words, "record", None):
        raise Refusal("a case has its own install record; leave --record out here")
    words.probe, words.no_color, words.json = parts[0], False, False
    return words


def _trunk(s: OpenCase, words: Namespace) -> Talk:
    from diagnose.shell.trunk_probe import QUESTION, caution_lines, plan_of, run_plan, time_lines

    site = the_state(s).site
    plan = plan_of(words, site)
    if not words.yes and not (yield from yes_or_no(QUESTION, s.width, before=caution_lines(plan, s.width))):
        return s.here()
    tell: Callable[[str], None] = lambda text: s.tell_now(wrap("dim", text, s.width))  # noqa: E731
    probed = yield from once("probe", lambda: run_plan(words, plan, site, tell))
    return (yield from offer(s, probed.report, probed.original, time_lines(probed.measured, s.width)))


def _network(s: OpenCase, words: Namespace) -> Talk:
    from diagnose.shell.network_probe import network_report

    # Lines, not a moving one: the shell may be read aloud.
    tell: Callable[[str], None] = lambda text: s.tell_now(wrap("dim", f"{text} ...", s.width))  # noqa: E731
    report, original = yield from once("probe", lambda: network_report(words, the_state(s).site, tell))
    return (yield from offer(s, report, original))
