"""From an answer to the next step, at 12, 100 and 247 units, and from the start to the first prompt.

    python tests/bench/bench_answers.py
    DIAGNOSE_ENGINE=plain python tests/bench/bench_answers.py    with the plain matcher

Prints medians over the steps of played cases, all in one run on one machine. Invented sites.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from diagnose.casework.assess import Assessor  # noqa: E402
from diagnose.drill.bench import Bench  # noqa: E402
from diagnose.drill.play import Player, open_case  # noqa: E402
from diagnose.inference.choice import title  # noqa: E402
from diagnose.knowledge.load import load  # noqa: E402
from diagnose.site.places import Place  # noqa: E402

RECORD = """install-record: 1
name: bench site of {n}
site: {{system: split-120-240, wiring-rules: north-american, ambient: 35 C, outdoor: yes}}
units: {{count: {n}, each: {{rating: 48 A, setting: 40 A, breaker: 50 A, breaker-kind: plain, own-ground-fault: ccid20,
  wire-size: 6-awg, wire-metal: copper, wire-insulation: 90c, terminal-rating: 75c, run-length: 45 m, legs: a-b}}}}
trunks: [{{units: 1-{n}, controller: 1, segment-length: 4 m, kind: rs485, cable: 24-awg, impedance: 120 ohm, shield: one-end,
  bit-rate: 9600, parity: even, terminators-at: [1, {n}], terminator-ohms: 120 ohm, bias: controller, bias-ohms: 560 ohm,
  bias-supply: 5 V, unit-load: 0.125, topology: line}}]
uplinks: [{{unit: 1, kind: ethernet, addressing: dhcp, protocol: ocpp-1.6, security: tls}}]
controls: [{{unit: 1, units: 1-{n}, kind: dry-contact, contact: normally-open, sense: closed-enables, input: type-3-24v, supply: 24 V}}]
"""


def answer_times(assessor: Assessor, n: int) -> tuple[float, list[float]]:
    """Seconds to the first step of a new site, and seconds from each later answer to its next step."""
    first, later = 0.0, []
    cut = n // 2
    hidden = [
        ("trunk-pair-open", Place("segment", cut, cut + 1), ("unit-answers", f"units {cut + 1}-{n}", "silent")),
        ("loose-unit-lug", Place("unit", cut), ("charging-power", f"unit {cut}", "drops-when-hot")),
    ]
    for fault, place, complaint in hidden:
        opening = open_case(RECORD.format(n=n), "electrician", complaint)
        began = time.perf_counter()
        state = assessor.state(opening)
        assessor.assess(opening)
        first = max(first, time.perf_counter() - began)
        bench = Bench(assessor.site_work(state.site).tables, [(fault, place)])
        player = Player(assessor, opening, bench, most=14)
        began = time.perf_counter()
        for _ in player.turns():
            later.append(time.perf_counter() - began)
            began = time.perf_counter()
    return first, later


BASELINE = """
import prompt_toolkit, rich.console, rich.text, numpy
from prompt_toolkit import PromptSession
from diagnose.inference.library import library
library()
"""


def start_times(runs: int = 15) -> tuple[float, float]:
    """Median seconds of a Python process that only imports the four libraries, and of the tool to its first prompt.

    The tool runs on a terminal of its own (a pty); the prompt is there when its text is.
    """
    import pexpect

    bare, own = [], []
    folder = tempfile.mkdtemp()
    for _ in range(runs + 1):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", BASELINE], check=True, cwd=ROOT)
        bare.append(time.perf_counter() - began)
        began = time.perf_counter()
        child = pexpect.spawn(
            sys.executable, ["-m", "diagnose", "--store", f"{folder}/cases.db", "--role", "technician"], cwd=str(ROOT),
            env={**os.environ, "PYTHONPATH": str(ROOT), "PROMPT_TOOLKIT_NO_CPR": "1"}, dimensions=(30, 100),
        )  # fmt: skip
        child.expect("danger signs .*>", timeout=20)
        own.append(time.perf_counter() - began)
        child.close(force=True)
    return statistics.median(bare[1:]), statistics.median(own[1:])


def main() -> None:
    """Print the tables."""
    print(f"conclusions by {title()}")
    bare, own = start_times()
    print(f"four libraries imported {1000 * bare:5.0f} ms, start to first prompt {1000 * own:5.0f} ms: {own / bare:.2f} times")
    began = time.perf_counter()
    assessor = Assessor(load())
    print(f"rule base ready {1000 * (time.perf_counter() - began):7.0f} ms")
    print("units   first step   answer to next step: median   worst    steps")
    for n in (12, 100, 247):
        first, later = answer_times(assessor, n)
        print(f"{n:5}   {1000 * first:7.0f} ms {1000 * statistics.median(later):26.0f} ms {1000 * max(later):5.0f} ms {len(later):6}")


if __name__ == "__main__":
    main()
