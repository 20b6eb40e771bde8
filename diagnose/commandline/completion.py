"""`diagnose completion bash|zsh|fish`."""

from __future__ import annotations

import sys
from argparse import Namespace

from diagnose.commandline.parser import Wrong, parser


def completion(words: Namespace) -> int:
    """Write what the Tab key of that shell needs."""
    try:
        import shtab
    except ModuleNotFoundError:
        raise Wrong("completion needs the package shtab; install it beside diagnose") from None
    shells = getattr(shtab, "SUPPORTED_SHELLS", ())
    if words.shell not in shells:
        raise Wrong(f"the installed shtab knows {', '.join(shells)}, not {words.shell}; install a newer one")
    sys.stdout.write(shtab.complete(parser(), shell=words.shell) + "\n")
    return 0
