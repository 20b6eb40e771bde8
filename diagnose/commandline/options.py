"""The options of each command. Little is imported here: it is read at every start."""

from __future__ import annotations

from argparse import SUPPRESS, ArgumentParser

from diagnose.knowledge.roles import ROLES, role_today


def none(p: ArgumentParser) -> None:
    """No options of its own."""


def common(p: ArgumentParser, below: bool) -> None:
    """Options of every command; below the top only when given, so that `diagnose --store X cases` works."""
    unset = SUPPRESS if below else None
    p.add_argument("--store", metavar="FILE", default=unset, help="keep cases in this file")
    p.add_argument("--rules", metavar="FOLDER", default=unset, help="use the rule base in this folder")
    p.add_argument("--no-color", action="store_true", default=SUPPRESS if below else False, help="no colours")


def shell(p: ArgumentParser) -> None:
    """Options of `diagnose` alone, which begins a case."""
    p.add_argument("--role", type=role_today, choices=ROLES, help="who you are")
    p.add_argument("--record", metavar="FILE", help="install record of the site")
    p.add_argument("--case", metavar="ID", help="go on with this case")
    p.add_argument("--instruments", metavar="A,B", help="what you have with you")
    p.add_argument("--plain", action="store_true", help="only lines one after the other, for screen readers")
    p.add_argument("--no-input", action="store_true", help="ask nothing; with --case: show where it stands")


def resume(p: ArgumentParser) -> None:
    """Those of the shell, for a case that is there."""
    p.add_argument("case", metavar="ID", help="case, or the beginning of its id")
    p.add_argument("--role", type=role_today, choices=ROLES, default=SUPPRESS, help="who you are")
    p.add_argument("--instruments", metavar="A,B", default=SUPPRESS, help="what you have with you")
    p.add_argument("--plain", action="store_true", default=SUPPRESS, help="only lines one after the other")
    p.add_argument("--no-input", action="store_true", default=SUPPRESS, help="ask nothing, show where the case stands")


def assess(p: ArgumentParser) -> None:
    p.add_argument("file", metavar="FILE", help="case file (YAML)")
    p.add_argument("--role", type=role_today, choices=ROLES, help="assess for this role")


def audit(p: ArgumentParser) -> None:
    p.add_argument("file", metavar="FILE", help="install record (YAML)")


def replay(p: ArgumentParser) -> None:
    p.add_argument("file", metavar="FILE", help="case file, or the name of one that comes with the program")


def exported(p: ArgumentParser) -> None:
    p.add_argument("file", metavar="FILE", help="exported case")


def evidence(p: ArgumentParser) -> None:
    p.add_argument("file", metavar="FILE", help="the file, - for standard input")
    p.add_argument("--record", metavar="FILE", help="install record of the site")
    p.add_argument("--at", metavar="PLACE", help="where it was taken, such as 'unit 5'")
    p.add_argument("--kind", metavar="KIND", help="what it is, when it is not recognised")
    p.add_argument("--page", metavar="FILE", help="write it as a page with its curves (HTML) as well")


def case_id(p: ArgumentParser) -> None:
    p.add_argument("id", metavar="ID", help="case, or the beginning of its id")


def output(p: ArgumentParser) -> None:
    case_id(p)
    p.add_argument("-o", "--output", metavar="FILE", help="file to write, - for standard output")


def cases(p: ArgumentParser) -> None:
    p.add_argument("words", nargs="*", metavar="WORD", help="words of title or id")


def rules_check(p: ArgumentParser) -> None:
    p.add_argument("folder", nargs="?", metavar="FOLDER", help="rule base; that of the checkout, else the shipped one by default")


def rules_test(p: ArgumentParser) -> None:
    p.add_argument("files", nargs="*", metavar="FILE", help="worked cases (YAML); all of the checkout by default")


def rules_selfplay(p: ArgumentParser) -> None:
    p.add_argument("site", metavar="SITE", help="install record (YAML), or the name of one of the checkout's tests/sites")
    p.add_argument("--seeds", type=int, default=1, metavar="N", help="runs of each fault, at places drawn anew")
    p.add_argument("--every", type=int, default=1, metavar="N", help="only every so many-th fault")


def completion(p: ArgumentParser) -> None:
    p.add_argument("shell", choices=("bash", "zsh", "fish"))
