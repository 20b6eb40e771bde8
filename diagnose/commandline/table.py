"""The commands of the command line, a row each. What a row does is imported when it is wanted."""

from __future__ import annotations

from argparse import ArgumentParser
from collections.abc import Callable
from typing import NamedTuple

from diagnose.commandline import options as o
from diagnose.shell import probe_options as probe


class Command(NamedTuple):
    """A command: what does it (`module:function`, imported when needed), what it says of itself, examples, its own options.

    A name of two words is a command of a command, whose row stands before and does nothing itself.
    """

    name: str
    does: str
    says: str
    examples: tuple[str, ...] = ()
    options: Callable[[ArgumentParser], None] = o.none
    json: bool = True


RUN = "diagnose.commandline."
SHELL = f"{RUN}shell:run"
COMPLETION = f"{RUN}completion:completion"
COMMANDS = (
    Command(
        "assess", f"{RUN}assess:assess", "what follows from a case file: findings, suspects, next steps",
        ("assess case.yaml", "assess case.yaml --role help-desk --json"), o.assess,
    ),
    Command(
        "audit", f"{RUN}assess:audit", "which rules an install record breaks (exit code 1: it breaks some)",
        ("audit site.yaml",), o.audit,
    ),
    Command(
        "replay", f"{RUN}assess:replay", "play a worked case without a person (exit code 1: not as expected)",
        ("replay trunk-twelve-units", "replay cases/trunk-twelve-units.yaml --json"), o.replay,
    ),
    Command(
        "cases", f"{RUN}cases:cases", "list the stored cases, or those that have all the words",
        ("cases", "cases silent harbour"), o.cases,
    ),
    Command(
        "evidence", f"{RUN}evidence:evidence", "what a capture, log, waveform or transcript shows",
        (
            "evidence capture.log", "evidence capture.log --record site.yaml",
            "evidence scope.csv --record site.yaml --at 'unit 5' --page scope.html",
        ),
        o.evidence,
    ),
    Command(
        "probe", "", "ask a live trunk or network, only reading",
        (
            "probe trunk --port /dev/ttyUSB0 --units 1-12 --record site.yaml",
            "probe trunk --host 192.168.10.5 --units 1-12 --json --yes",
            "probe network backoffice.example",
        ),
    ),
    Command("probe trunk", f"{RUN}probe_trunk:trunk", "which units of a trunk answer, how fast, how reliably", (), probe.trunk_options),
    Command("probe network", f"{RUN}probe_network:network", "what the way to the back office lets through", (), probe.network_options),
    Command("show", f"{RUN}show:show_case", "the log of a case, and what follows from it", ("show C-7K3MD",), o.case_id),
    Command("resume", SHELL, "go on with a case", ("resume C-7K3MD",), o.resume, json=False),
    Command(
        "report", f"{RUN}show:report", "write a case as a page, to print or to hand over (HTML)",
        ("report C-7K3MD", "report C-7K3MD -o case.html"), o.output, json=False,
    ),
    Command(
        "export", f"{RUN}cases:export", "write a case to a file, to send or keep",
        ("export C-7K3MD", "export C-7K3MD -o case.jsonl"), o.output, json=False,
    ),
    Command("import", f"{RUN}cases:import_file", "take a case over from a file", ("import case.jsonl",), o.exported, json=False),
    Command(
        "verify", f"{RUN}cases:verify", "whether the log of a case is whole (exit code 1: it is not)",
        ("verify C-7K3MD",), o.case_id, json=False,
    ),
    Command(
        "rules", "", "look for problems in the rule base, and try it",
        (
            "rules check", "rules check my-rules --json", "rules test", "rules test tests/worked/trunk.yaml",
            "rules selfplay harbour-12", "rules selfplay site.yaml --every 10",
        ),
    ),
    Command("rules check", f"{RUN}rules:check", "every problem at its line, and counts", (), o.rules_check),
    Command("rules test", f"{RUN}trials:test", "run worked cases: expected against got (exit code 1: one fails)", (), o.rules_test),
    Command(
        "rules selfplay", f"{RUN}trials:selfplay",
        "hide each fault at a site in turn, and name those missed (exit code 1: one is)", (), o.rules_selfplay,
    ),
    Command("paths", f"{RUN}cases:paths", "where the files are, and which rule engine is in use", ("paths",)),
    Command(
        "completion", COMPLETION, "completion for the Tab key of a shell",
        ("completion bash > ~/.local/share/bash-completion/completions/diagnose",), o.completion, json=False,
    ),
)  # fmt: skip
