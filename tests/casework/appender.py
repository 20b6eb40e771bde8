"""A scripted session in a process of its own, to be killed: appends events and prints each id after its
commit.

Arguments: store file, title or id of a case (a title is opened), number of events, name of the writer, and
perhaps a file to wait for before the first event. Each id is printed as `try ID` before writing and as `saved
ID` after; every line is flushed.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from diagnose.casework.events import new_event_id
from diagnose.casework.store import Store


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(path: str, case: str, count: int, by: str, gate: str = "") -> None:
    with Store.open(path, wait=30) as store:
        say("ready")
        while gate and not Path(gate).exists():
            time.sleep(0.001)
        if not case.startswith("C-"):
            name = new_event_id()
            say(f"try {name}")
            case = store.create_case(case, by, event_id=name)
            say(f"saved {name}")
        readings = []
        for number in range(count):
            name = new_event_id()
            say(f"try {name}")
            if number % 5 == 4:
                store.append(case, "withdrawn", {"event": readings[-1]}, by, name)
            else:
                data = {
                    "check": "supply-volts",
                    "at": f"unit {number}",
                    "answer": "208 V",
                    "pad": "x" * (number % 900),
                }
                store.append(case, "reading", data, by, name)
                readings.append(name)
            say(f"saved {name}")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), *sys.argv[4:6])
