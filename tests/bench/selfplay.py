"""Self-play over every fault: which are found, which are missed, which no site of the collection allows.

    python tests/bench/selfplay.py [--seeds N] [--faults WORD ...] [--every N]

Each fault is hidden once per seed, at a site and a place that the seed picks among those where it is possible.
Found means that the fault, or one with the same remedy, is the first suspect when the tool advises a repair or
has nothing left to ask. Answers are drawn from the tables of the rule base; nothing here measures a real site.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from diagnose.casework.assess import Assessor, plain  # noqa: E402
from diagnose.drill.play import open_case  # noqa: E402
from diagnose.drill.selfplay import Run, run  # noqa: E402
from diagnose.knowledge.load import load  # noqa: E402
from diagnose.site.places import Place  # noqa: E402

Where = dict[str, list[tuple[str, list[Place]]]]


@cache
def records() -> dict[str, str]:
    """The install records of the collection, by name."""
    return {p.stem: p.read_text(encoding="utf-8") for p in sorted((ROOT / "tests" / "sites").glob("*.yaml"))}


def possible(assessor: Assessor) -> Where:
    """For each fault the sites where it is possible, and its places there."""
    found: Where = {fault: [] for fault in assessor.knowledge.faults}
    for name, record in records().items():
        tables = assessor.site_work(assessor.state(open_case(record, "electrician", None)).site).tables
        for fault, singles in tables.singles_of.items():
            found[fault].append((name, [tables.where(int(n)) for n in singles]))
    return found


def play(assessor: Assessor, where: Where, faults: list[str], seeds: int) -> list[tuple[str, Run]]:
    """One run for each fault and seed."""
    done = []
    for fault in faults:
        for seed in range(seeds):
            draw = random.Random(f"{fault} {seed}")
            name, places = draw.choice(where[fault])
            done.append((name, run(assessor, records()[name], fault, draw.choice(places), seed)))
    return done


def report(done: list[tuple[str, Run]], impossible: list[str], seconds: float) -> None:
    """The misses, then the figures."""
    missed = [(name, r) for name, r in done if not r.found]
    if missed:
        print(f"{'hidden':34} {'site':11} {'place':14} {'named instead':34} {'stated':>6} {'rank':>4}")
    for name, r in missed:
        print(f"{r.fault:34} {name:11} {r.place!s:14} {r.named:34} {r.probability:6.2f} {r.rank or '-':>4}")
    for fault in impossible:
        print(f"{fault:34} is possible at no site of the collection")
    n = max(len(done), 1)
    sure = [r for _, r in done if r.probability >= 0.9]
    third = sum(1 <= r.rank <= 3 for _, r in done)
    print(f"{len(done)} runs, found {(n - len(missed)) / n:.1%}, among the first three {third / n:.1%}")
    print(f"stated 0.9 or more in {len(sure)} runs, right in {sum(r.found for r in sure) / max(len(sure), 1):.1%} of them")
    print(f"minutes of work {sum(r.minutes for _, r in done) / n:.1f} a run; {seconds:.0f} s in all")


def main() -> None:
    """Play, and print the table."""
    parser = argparse.ArgumentParser(description="Self-play over every fault of the rule base.")
    parser.add_argument("--seeds", type=int, default=1, help="runs of each fault")
    parser.add_argument("--faults", nargs="*", default=[], help="only faults whose name holds one of these words")
    parser.add_argument("--every", type=int, default=1, help="only every so many-th fault")
    asked = parser.parse_args()
    began = time.perf_counter()
    assessor = Assessor(load(cache=False), plain)
    where = possible(assessor)
    names = [f for f in sorted(where) if not asked.faults or any(word in f for word in asked.faults)][:: asked.every]
    done = play(assessor, where, [f for f in names if where[f]], asked.seeds)
    report(done, [f for f in names if not where[f]], time.perf_counter() - began)


if __name__ == "__main__":
    main()
