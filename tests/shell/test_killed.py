"""kill -9 in the middle of a scripted session: nothing that was acknowledged is lost, and the store opens.

`DIAGNOSE_KILLS=200 python -m pytest tests/shell/test_killed.py` for the long run; a few kills by default.
"""

from __future__ import annotations

import os
import random
import re
import subprocess
import sys
import time
from pathlib import Path

from diagnose.casework.store import Store

ROOT = Path(__file__).resolve().parents[2]
KILLS = int(os.environ.get("DIAGNOSE_KILLS", "4"))
OPENING = ["n", "half the chain is silent", "1", "8-12", "y"]
STEPS = [
    "4",
    "note gland {n}",
    "can't",
    "note lug {n}",
    "undo",
    "note plug {n}",
    "do not know",
    "fact unit.setting 7 {a} A",
    "note seal {n}",
]
ACKNOWLEDGED = re.compile(r"^Saved: note: (\w+ \d+)\.$")


def script(lines: int = 400) -> list[str]:
    """A session that goes on longer than any kill lets it."""
    return OPENING + [STEPS[n % len(STEPS)].format(n=n, a=16 + n % 30) for n in range(lines)]


def killed_session(store: Path, after: float) -> list[str]:
    """Run the session in a pipe, kill it `after` seconds past its first acknowledgement; what it acknowledged."""
    child = subprocess.Popen(
        [sys.executable, "-u", "-m", "diagnose", "--store", str(store), "--record", "cases/records/harbour-row.yaml",
         "--role", "technician", "--no-color"],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write("\n".join(script()) + "\n")
    child.stdin.flush()
    heard: list[str] = []
    for line in child.stdout:
        if ACKNOWLEDGED.match(line.rstrip("\n")):
            heard.append(line)
            break
    time.sleep(after)
    child.kill()
    heard += child.stdout.readlines()
    child.wait()
    whole = [line for line in heard if line.endswith("\n")]
    return [m.group(1) for line in whole if (m := ACKNOWLEDGED.match(line.rstrip("\n")))]


def test_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    draw = random.Random(7)
    told = 0
    for number in range(KILLS):
        path = tmp_path / f"{number}.db"
        acknowledged = killed_session(path, draw.uniform(0.0, 1.2))
        with Store.open(path) as store:
            assert store.damage() == []
            (case,) = store.cases()
            assert store.verify(case.id) == []
            kept = {str(e.data.get("text")) for e in store.events(case.id) if e.kind == "note"}
        assert acknowledged, "the session was killed before it did anything; the test would prove nothing"
        assert [text for text in acknowledged if text not in kept] == []
        told += len(acknowledged)
    print(f"{KILLS} kills, {told} acknowledged notes, none lost")
