"""The command: which changes of a room's source do its tests not notice?"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.mutate.hunt import BUDGET, DIED, Fate, Known, Unsound, hunt, read_known, sources
from tests.mutate.rooms import ROOMS

ROOT = Path(__file__).resolve().parents[2]
KNOWN = ROOT / "tests" / "mutate" / "that_live.txt"


def main(words: list[str]) -> int:
    """0 when every change was noticed or lives for a reason, 1 when not, 2 for a command that is wrong."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutate", allow_abbrev=False, description=__doc__)
    parser.add_argument("room", choices=sorted(ROOMS))
    parser.add_argument("--most", type=int, default=100, metavar="N", help="changes to try, drawn over the whole room")
    parser.add_argument("--seed", type=int, default=0, metavar="S", help="another draw")
    parser.add_argument("--only", default="", metavar="FILE", help="changes of one file of the room")
    parser.add_argument("--budget", type=float, default=BUDGET, metavar="SECONDS", help="seconds of tests for one change")
    parser.add_argument("--show", action="store_true", help="tell of those that were noticed, too, and by which test")
    asked = parser.parse_args(words)
    room = ROOMS[asked.room]
    mine = sources(ROOT, room)
    if asked.only and not [f for f in mine if asked.only in (f, Path(f).name)]:
        parser.error(f"--only {asked.only}: no file of the room {room.name}; it has {', '.join(mine)}")
    if asked.most < 1:
        parser.error(f"--most {asked.most}: a number from 1 on")
    known = read_known(KNOWN)
    begun = time.monotonic()
    try:
        with tempfile.TemporaryDirectory(prefix="mutate-") as folder:
            fates = hunt(
                ROOT, room, Path(folder), asked.most, asked.seed, asked.only, asked.budget,
                lambda fate: tell(fate, known, asked.show),
            )  # fmt: skip
    except Unsound as error:
        print(error, file=sys.stderr)
        return 2
    died = [f for f in fates if f.how in DIED]
    lives = [f for f in fates if f.how not in DIED]
    spared = [f for f in lives if reason(f, known)]
    print(
        f"{room.name}: {len(fates)} changes, {len(died)} noticed, {len(spared)} that nothing can notice, "
        f"{len(lives) - len(spared)} not noticed; {time.monotonic() - begun:.0f} s"
    )
    return 1 if len(lives) > len(spared) else 0


def reason(fate: Fate, known: list[Known]) -> str:
    """Why a change cannot be noticed, if that has been written down."""
    return next((k.reason for k in known if (k.file, k.text, k.change) == (fate.file, fate.text, str(fate.change))), "")


def tell(fate: Fate, known: list[Known], everything: bool) -> None:
    """One line for a change that lives."""
    where = f"{fate.file}:{fate.change.line}:{fate.change.column}: {fate.change}"
    if fate.how in DIED:
        if everything:
            print(f"{where} | noticed: {fate.how} {fate.test}", flush=True)
    elif why := reason(fate, known):
        print(f"{where} | lives: {why}", flush=True)
    else:
        tried = f"{fate.tried} tests pass" if fate.tried else fate.how
        tried += f", {fate.left} slower ones not run" if fate.left else ""
        print(f"{where} | NOT NOTICED, {tried} | {fate.text}", flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
