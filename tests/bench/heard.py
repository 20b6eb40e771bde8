"""Every sentence of the later two lists kept apart, typed at each place where a line is taken.

    python -m tests.bench.heard [EVERY]   every so many-th sentence (1)

Prints a row for each position: danger asked about, harmless ones asked about, stopped without asking.
Ends with 1 when a share is worse than 98 % and 6 %, or something stopped unasked.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from diagnose.shell.desk import Desk
from tests.safety.positions import POSITIONS, shares
from tests.words.sentences_read import read


def main(words: list[str]) -> int:
    """Print the table."""
    every = int(words[0]) if words else 1
    sentences = [*read("danger-apart-2.tsv"), *read("danger-apart-3.tsv")][::every]
    good = True
    print(f"| typed at ({len(sentences)} sentences) | danger asked about | harmless asked about | stopped unasked |\n| --- | --- | --- | --- |")
    for position in POSITIONS:
        with tempfile.TemporaryDirectory() as folder:
            desk = Desk(str(Path(folder) / "cases.db"))
            noticed, false, stopped = shares(desk, position, sentences)
            desk.close()
        good = good and noticed >= 0.98 and false <= 0.06 and not stopped
        print(f"| {position} | {100 * noticed:.1f} % | {100 * false:.1f} % | {stopped} |", flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
