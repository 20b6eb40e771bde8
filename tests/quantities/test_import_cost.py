"""What the package costs at the start of a session."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
MEASURE = """
import sys, time, typing, diagnose
known = set(sys.modules)
start = time.perf_counter()
import diagnose.quantities
took = time.perf_counter() - start
print(took * 1e3, ",".join(sorted(set(sys.modules) - known)))
"""


def test_import_is_quick_and_brings_nothing_along(tmp_path: Path) -> None:
    """Below 3 ms with compiled files, over an interpreter that has `typing` (every package here uses it).

    The best of several runs: a loaded machine can only make it slower.
    """
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(tmp_path), "PYTHONPATH": str(ROOT)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    best, modules = 1e9, ""
    for _ in range(7):
        run = subprocess.run(
            [sys.executable, "-c", MEASURE],
            env=environment,
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
        )
        took, modules = run.stdout.strip().split(" ")
        best = min(best, float(took))
    others = [name for name in modules.split(",") if not name.startswith("diagnose.") and name != "math"]
    assert others == []
    assert best < 3.0, best
