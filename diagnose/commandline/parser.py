"""The parser of the command line, made from its rows. Examples stand first in its help; errors are raised."""

from __future__ import annotations

import sys
from argparse import Action, ArgumentParser, RawDescriptionHelpFormatter
from collections.abc import Iterable
from typing import Any, NoReturn

from diagnose import __version__
from diagnose.commandline import options
from diagnose.commandline.table import COMMANDS, SHELL, Command

SAYS = "Find out what is wrong with newly installed, networked AC charging stations."
EXAMPLES = """examples:
  diagnose                                     begin a case
  diagnose --role technician --record site.yaml
  diagnose resume C-7K3MD                      go on with a case
  diagnose audit site.yaml                     which rules an install record breaks
  diagnose replay trunk-twelve-units           watch a worked case
"""


class Wrong(Exception):
    """A command line that cannot be used."""


class Parser(ArgumentParser):
    """Examples first in its help; errors are raised."""

    examples = ""

    def format_help(self) -> str:
        return f"{self.examples}\n{super().format_help()}" if self.examples else super().format_help()

    def error(self, message: str) -> NoReturn:
        raise Wrong(f"{' '.join(message.split())}; see: {self.prog} --help")


class Version(Action):
    """`--version`: the program and the machine that draws its conclusions."""

    def __call__(self, parser: ArgumentParser, *_: object) -> NoReturn:
        from diagnose.inference.choice import title

        sys.stdout.write(f"diagnose {__version__} ({title()})\n")
        parser.exit()


def parser() -> Parser:
    """The whole command line."""
    top = Parser(prog="diagnose", description=SAYS, allow_abbrev=False, formatter_class=RawDescriptionHelpFormatter)
    top.examples = EXAMPLES
    options.common(top, False)
    options.shell(top)
    top.add_argument(
        "--version", action=Version, nargs=0,
        help="show the version, and what draws the conclusions (DIAGNOSE_ENGINE=plain does without the rule engine)",
    )  # fmt: skip
    top.set_defaults(does=SHELL)
    groups: dict[str, Any] = {"": _commands_of(top, False)}
    for c in COMMANDS:
        above, _, name = c.name.rpartition(" ")
        sub = groups[above].add_parser(
            name, help=c.says, description=f"{c.says[:1].upper()}{c.says[1:]}.", allow_abbrev=False,
            formatter_class=RawDescriptionHelpFormatter,
        )  # fmt: skip
        sub.examples = "examples:\n" + "".join(f"  diagnose {e}\n" for e in _examples(c))
        if c.does:
            _fill(sub, c)
        else:
            groups[c.name] = _commands_of(sub, True)
    return top


def _commands_of(p: Parser, required: bool) -> Any:
    return p.add_subparsers(title="commands", metavar="COMMAND", parser_class=Parser, required=required)


def _examples(c: Command) -> Iterable[str]:
    """Its own, or those of the command above that name it."""
    return c.examples or [e for above in COMMANDS for e in above.examples if e.startswith(c.name)]


def _fill(p: Parser, c: Command) -> None:
    """What every command takes, then its own."""
    options.common(p, True)
    if c.json:
        p.add_argument("--json", action="store_true", help="write JSON")
    c.options(p)
    p.set_defaults(does=c.does)
