"""The command line: `main(argv)` returns the exit code.

0 done, 1 ran and the answer is no, 2 the input is wrong, 130 interrupted. Errors are lines on stderr, one for each mistake of a file.
"""

from __future__ import annotations

import errno
import os
import sys
from argparse import SUPPRESS, Action, ArgumentParser, Namespace, RawDescriptionHelpFormatter
from importlib import import_module
from typing import NamedTuple, NoReturn

MOST_TOLD = 20  # mistakes of a file that are told, a line each
ROLES = ("contact", "agent", "technician", "electrician")
EXAMPLES = """examples:
  diagnose                                     begin a case
  diagnose --role technician --record site.yaml
  diagnose resume C-7K3MD                      go on with a case
  diagnose audit site.yaml                     which rules an install record breaks
  diagnose replay trunk-twelve-units           watch a worked case
"""


class Command(NamedTuple):
    """A command: what does it (`module:function`, imported when needed), what it says of itself, examples."""

    name: str
    does: str
    says: str
    examples: tuple[str, ...]
    json: bool = True


class Inner(NamedTuple):
    """A command of a command, such as `check` of `rules`."""

    name: str
    does: str
    says: str


SHELL = "diagnose.shell."
INNER = {
    "rules": (
        Inner("check", f"{SHELL}run_rules:check", "every problem at its line, and counts"),
        Inner("test", f"{SHELL}run_rules:test", "run worked cases: expected against got (exit code 1: one fails)"),
        Inner("selfplay", f"{SHELL}run_rules:selfplay", "hide each fault at a site in turn, and name those missed (exit code 1: one is)"),
    ),
    "probe": (
        Inner("trunk", f"{SHELL}run_probe:probe_trunk", "which units of a trunk answer, how fast, how reliably"),
        Inner("network", f"{SHELL}run_probe_network:probe_network", "what the way to the back office lets through"),
    ),
}
COMMANDS = (
    Command(
        "assess",
        f"{SHELL}run_assess:assess",
        "what follows from a case file: findings, suspects, next steps",
        ("assess case.yaml", "assess case.yaml --role agent --json"),
    ),
    Command(
        "audit",
        f"{SHELL}run_assess:audit",
        "which rules an install record breaks (exit code 1: it breaks some)",
        ("audit site.yaml",),
    ),
    Command(
        "replay",
        f"{SHELL}run_assess:replay",
        "play a worked case without a person (exit code 1: not as expected)",
        ("replay trunk-twelve-units", "replay cases/trunk-twelve-units.yaml --json"),
    ),
    Command(
        "cases",
        f"{SHELL}run_cases:cases",
        "list the stored cases, or those that have all the words",
        ("cases", "cases silent harbour"),
    ),
    Command(
        "evidence",
        f"{SHELL}run_evidence:evidence",
        "what a capture, log, waveform or transcript shows",
        ("evidence capture.log", "evidence capture.log --record site.yaml", "evidence scope.csv --record site.yaml --at 'unit 5' --page scope.html"),
    ),
    Command(
        "probe",
        "",
        "ask a live trunk or network, only reading",
        (
            "probe trunk --port /dev/ttyUSB0 --units 1-12 --record site.yaml",
            "probe trunk --host 192.168.10.5 --units 1-12 --json --yes",
            "probe network backoffice.example",
        ),
    ),
    Command(
        "show",
        f"{SHELL}run_cases:show_case",
        "the log of a case, and what follows from it",
        ("show C-7K3MD",),
    ),
    Command("resume", f"{SHELL}run_shell:run", "go on with a case", ("resume C-7K3MD",), False),
    Command(
        "report",
        f"{SHELL}run_cases:report",
        "write a case as a page, to print or to hand over (HTML)",
        ("report C-7K3MD", "report C-7K3MD -o case.html"),
        False,
    ),
    Command(
        "export",
        f"{SHELL}run_cases:export",
        "write a case to a file, to send or keep",
        ("export C-7K3MD", "export C-7K3MD -o case.jsonl"),
        False,
    ),
    Command(
        "import",
        f"{SHELL}run_cases:import_file",
        "take a case over from a file",
        ("import case.jsonl",),
        False,
    ),
    Command(
        "verify",
        f"{SHELL}run_cases:verify",
        "whether the log of a case is whole (exit code 1: it is not)",
        ("verify C-7K3MD",),
        False,
    ),
    Command(
        "rules",
        f"{SHELL}run_rules:check",
        "look for problems in the rule base, and try it",
        (
            "rules check", "rules check my-rules --json", "rules test", "rules test tests/worked/trunk.yaml",
            "rules selfplay harbour-12", "rules selfplay site.yaml --every 10",
        ),
    ),
    Command("paths", f"{SHELL}run_cases:paths", "where the files are, and which rule engine is in use", ("paths",)),
    Command(
        "completion",
        "diagnose.cli:completion",
        "completion for the Tab key of a shell",
        ("completion bash > ~/.local/share/bash-completion/completions/diagnose",),
        False,
    ),
)


class Wrong(Exception):
    """A command line that cannot be used."""


class Parser(ArgumentParser):
    """Examples first in its help; errors are raised."""

    examples = ""

    def format_help(self) -> str:
        return f"{self.examples}\n{super().format_help()}" if self.examples else super().format_help()

    def error(self, message: str) -> NoReturn:
        raise Wrong(f"{' '.join(message.split())}; see: {self.prog} --help")


def parser() -> Parser:
    """The whole command line."""
    top = _new(
        "diagnose", "Find out what is wrong with newly installed, networked AC charging stations.", EXAMPLES
    )
    _shared(top, False)
    _shell_options(top)
    top.set_defaults(does=f"{SHELL}run_shell:run")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", parser_class=Parser)
    for c in COMMANDS:
        examples = "examples:\n" + "".join(f"  diagnose {e}\n" for e in c.examples)
        sub = commands.add_parser(
            c.name,
            help=c.says,
            description=f"{c.says[:1].upper()}{c.says[1:]}.",
            allow_abbrev=False,
            formatter_class=RawDescriptionHelpFormatter,
        )
        sub.examples = examples
        if c.name not in INNER:
            _complete(sub, c.name, c.json, c.does)
            continue
        inner = sub.add_subparsers(title="commands", metavar="COMMAND", parser_class=Parser, required=True)
        for i in INNER[c.name]:
            below = inner.add_parser(
                i.name, help=i.says, description=f"{i.says[:1].upper()}{i.says[1:]}.", allow_abbrev=False,
                formatter_class=RawDescriptionHelpFormatter,
            )  # fmt: skip
            below.examples = "examples:\n" + "".join(
                f"  diagnose {e}\n" for e in c.examples if e.startswith(f"{c.name} {i.name}")
            )
            _complete(below, f"{c.name} {i.name}", c.json, i.does)
    return top


def _complete(p: Parser, name: str, json: bool, does: str) -> None:
    """What every command takes, then its own."""
    _shared(p, True)
    if json:
        p.add_argument("--json", action="store_true", help="write JSON")
    _own(name, p)
    p.set_defaults(does=does)


def _new(prog: str, says: str, examples: str) -> Parser:
    made = Parser(
        prog=prog, description=says, allow_abbrev=False, formatter_class=RawDescriptionHelpFormatter
    )
    made.examples = examples
    return made


def _shared(p: Parser, below: bool) -> None:
    """Options of every command; below the top only when given, so that `diagnose --store X cases` works."""
    unset = SUPPRESS if below else None
    p.add_argument("--store", metavar="FILE", default=unset, help="keep cases in this file")
    p.add_argument("--rules", metavar="FOLDER", default=unset, help="use the rule base in this folder")
    p.add_argument("--no-color", action="store_true", default=SUPPRESS if below else False, help="no colours")


class _Version(Action):
    """`--version`: the program and the machine that draws its conclusions."""

    def __call__(self, parser: ArgumentParser, *_: object) -> NoReturn:
        from diagnose import __version__
        from diagnose.inference.choice import title

        sys.stdout.write(f"diagnose {__version__} ({title()})\n")
        parser.exit()


def _shell_options(p: Parser) -> None:
    p.add_argument("--role", choices=ROLES, help="who you are")
    p.add_argument("--record", metavar="FILE", help="install record of the site")
    p.add_argument("--case", metavar="ID", help="go on with this case")
    p.add_argument("--instruments", metavar="A,B", help="what you have with you")
    p.add_argument("--plain", action="store_true", help="only lines one after the other, for screen readers")
    p.add_argument("--no-input", action="store_true", help="ask nothing; with --case: show where it stands")
    p.add_argument(
        "--version",
        action=_Version,
        nargs=0,
        help="show the version, and what draws the conclusions (DIAGNOSE_ENGINE=plain does without the rule engine)",
    )


def _own(name: str, p: Parser) -> None:
    if name in ("assess", "replay", "audit", "import"):
        what = {
            "audit": "install record (YAML)",
            "import": "exported case",
            "replay": "case file, or the name of one that comes with the program",
        }
        p.add_argument("file", metavar="FILE", help=what.get(name, "case file (YAML)"))
    if name == "evidence":
        p.add_argument("file", metavar="FILE", help="the file, - for standard input")
        p.add_argument("--record", metavar="FILE", help="install record of the site")
        p.add_argument("--at", metavar="PLACE", help="where it was taken, such as 'unit 5'")
        p.add_argument("--kind", metavar="KIND", help="what it is, when it is not recognised")
        p.add_argument("--page", metavar="FILE", help="write it as a page with its curves (HTML) as well")
    if name == "assess":
        p.add_argument("--role", choices=ROLES, help="assess for this role")
    if name in ("show", "resume", "report", "export", "verify"):
        p.add_argument(
            "case" if name == "resume" else "id", metavar="ID", help="case, or the beginning of its id"
        )
    if name == "resume":
        p.add_argument("--role", choices=ROLES, default=SUPPRESS, help="who you are")
        p.add_argument("--instruments", metavar="A,B", default=SUPPRESS, help="what you have with you")
        p.add_argument(
            "--plain", action="store_true", default=SUPPRESS, help="only lines one after the other"
        )
        p.add_argument(
            "--no-input",
            action="store_true",
            default=SUPPRESS,
            help="ask nothing, show where the case stands",
        )
    if name == "cases":
        p.add_argument("words", nargs="*", metavar="WORD", help="words of title or id")
    if name in ("export", "report"):
        p.add_argument("-o", "--output", metavar="FILE", help="file to write, - for standard output")
    if name == "rules check":
        p.add_argument("folder", nargs="?", metavar="FOLDER", help="rule base; that of the checkout, else the shipped one by default")
    if name == "rules test":
        p.add_argument("files", nargs="*", metavar="FILE", help="worked cases (YAML); all of the checkout by default")
    if name == "rules selfplay":
        p.add_argument("site", metavar="SITE", help="install record (YAML), or the name of one of the checkout's tests/sites")
        p.add_argument("--seeds", type=int, default=1, metavar="N", help="runs of each fault, at places drawn anew")
        p.add_argument("--every", type=int, default=1, metavar="N", help="only every so many-th fault")
    if name in ("probe trunk", "probe network"):
        from diagnose.shell import probe_options

        (probe_options.trunk_options if name == "probe trunk" else probe_options.network_options)(p)
    if name == "completion":
        p.add_argument("shell", choices=("bash", "zsh", "fish"))


def completion(words: Namespace) -> int:
    """`diagnose completion bash|zsh|fish`."""
    try:
        import shtab
    except ModuleNotFoundError:
        raise Wrong("completion needs the package shtab; install it beside diagnose") from None
    shells = getattr(shtab, "SUPPORTED_SHELLS", ())
    if words.shell not in shells:
        raise Wrong(f"the installed shtab knows {', '.join(shells)}, not {words.shell}; install a newer one")
    sys.stdout.write(shtab.complete(parser(), shell=words.shell) + "\n")
    return 0


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    _fill_streams()
    try:
        code = _run(words)
        sys.stdout.flush()
        return code
    except SystemExit as end:  # argparse, after --help
        return int(end.code or 0) if isinstance(end.code, int) or end.code is None else 2
    except KeyboardInterrupt:
        _complain("interrupted; what was saved stays saved")
        return 130
    except BrokenPipeError:
        _abandon_output()
        return 0
    except Exception as error:
        if isinstance(error, OSError) and _nobody_reads(error):
            _abandon_output()
            return 0
        return _failed(error)


def _fill_streams() -> None:
    """A standard stream that was closed before the start is None in Python: take the null device, so that output
    goes nowhere and no file of ours gets its number.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115 - for the whole run


def _run(words: list[str]) -> int:
    if words[:1] == ["help"]:
        words = [*words[1:], "--help"]
    if words and not words[0].startswith("-") and words[0] not in [c.name for c in COMMANDS]:
        import difflib

        close = difflib.get_close_matches(words[0], [c.name for c in COMMANDS], n=1)
        hint = f"did you mean {close[0]}?" if close else "see: diagnose --help"
        raise Wrong(f"there is no command '{words[0]}'; {hint}")
    found = parser().parse_args(words)
    for name in ("role", "record", "case", "instruments"):
        setattr(found, name, getattr(found, name, None))
    module, _, function = found.does.partition(":")
    if found.rules is None and not getattr(found, "folder", None) and found.does != "diagnose.cli:completion":
        _rules_of_checkout(found)
    if found.does == f"{SHELL}run_shell:run" and not found.no_input:
        from diagnose.shell.first import first_line

        first_line()
    code: int = getattr(import_module(module), function)(found)
    return code


def _rules_of_checkout(found: Namespace) -> None:
    """Inside a checkout its rules are read, also by a program that was installed with others; that is said."""
    from diagnose.knowledge.checkout import rules_here

    folder = rules_here()
    if folder is not None:
        found.rules = str(folder)
        _complain(f"reading the rules of this checkout, {folder.absolute().resolve()}, not those that came with the program; --rules says otherwise")


def _complain(line: str) -> None:
    from diagnose.source.problems import one_line

    text = one_line(line)
    encoding = getattr(sys.stderr, "encoding", None) or "utf-8"
    try:
        sys.stderr.write("diagnose: " + text.encode(encoding, "replace").decode(encoding) + "\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        return


def _nobody_reads(error: OSError) -> bool:
    """Windows tells a reader that has gone, as of `| more`, as an invalid argument without a file."""
    return os.name == "nt" and error.errno == errno.EINVAL and not error.filename


def _abandon_output() -> None:
    """Nobody reads any more: keep the interpreter from complaining when it flushes at its end."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return


def _failed(error: Exception) -> int:
    if isinstance(error, Wrong):
        _complain(str(error))
        return 2
    from diagnose.casework.store import StoreError
    from diagnose.casework.transfer import TransferError
    from diagnose.inference.library import EngineError
    from diagnose.shell.refusal import Refusal
    from diagnose.source.problems import InputError

    if isinstance(error, InputError):
        for problem in error.problems[:MOST_TOLD]:
            _complain(problem.line())
        if len(error.problems) > MOST_TOLD:
            _complain(f"and {len(error.problems) - MOST_TOLD} more")
    elif isinstance(error, Refusal):
        _complain(str(error))
        return error.code
    elif isinstance(error, (StoreError, TransferError, EngineError)):
        _complain(str(error))
    elif isinstance(error, OSError):
        name = f" ({error.filename})" if error.filename else ""
        _complain(f"{error.strerror or error}{name}; check the name and what may be written there")
    else:
        from diagnose.shell.folders import log_error

        _complain(log_error(error))
    return 2
