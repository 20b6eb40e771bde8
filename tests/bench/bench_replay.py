"""The worked cases with the rule engine and with the plain matcher: `diagnose replay` from start to end, and in it
the play alone.

    python tests/bench/bench_replay.py

Prints medians of runs that take turns, all on one machine. Both must write the same.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from diagnose.casework.assess import Assessor  # noqa: E402
from diagnose.casework.casefile import read_case  # noqa: E402
from diagnose.drill.play import play_file  # noqa: E402
from diagnose.inference.choice import ENGINE, PLAIN, VARIABLE  # noqa: E402
from diagnose.knowledge.load import load  # noqa: E402

RUNS = 5


def command(case: Path, machine: str) -> tuple[float, bytes]:
    """Seconds of the whole program, and what it wrote."""
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "diagnose", "replay", str(case), "--json"],
        cwd=ROOT, env={**os.environ, VARIABLE: machine, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, check=True,
    )  # fmt: skip
    return time.perf_counter() - began, done.stdout


def play(case: Path, machine: str) -> float:
    """Seconds of the play, with an assessor of its own: the rules are compiled in it."""
    os.environ[VARIABLE] = machine
    knowledge = load()
    file = read_case(case, knowledge, case.name)
    began = time.perf_counter()
    player = play_file(Assessor(knowledge), file)
    for _ in player.turns():
        pass
    player.finish()
    return time.perf_counter() - began


def main() -> None:
    """Print the table."""
    print(f"{'case':36} {'':14} {'replay s':>9} {'play s':>9}")
    for case in sorted((ROOT / "cases").glob("*.yaml")):
        whole: dict[str, list[float]] = {ENGINE: [], PLAIN: []}
        alone: dict[str, list[float]] = {ENGINE: [], PLAIN: []}
        written = set()
        for _ in range(RUNS):
            for machine in (ENGINE, PLAIN):
                seconds, text = command(case, machine)
                whole[machine].append(seconds)
                written.add(text)
                alone[machine].append(play(case, machine))
        assert len(written) == 1, f"{case.stem}: engine and matcher differ"
        for machine in (ENGINE, PLAIN):
            print(f"{case.stem:36} {machine:14} {median(whole[machine]):9.2f} {median(alone[machine]):9.2f}")


if __name__ == "__main__":
    main()
