"""Oscilloscope recordings of the data pair (CSV)."""

from __future__ import annotations

import re
from typing import IO

from diagnose.evidence.reader import Asked, reader
from diagnose.evidence.report import Report
from diagnose.evidence.scope import read as scope_csv
from diagnose.evidence.scope.draw import drawings
from diagnose.evidence.scope.find import WaveFindings, find
from diagnose.evidence.scope.say import figures, says
from diagnose.evidence.scope.take import take

_PROBE_NAMED = re.compile(r"\b(?:trunk \d{1,3} )?(?:unit \d{1,4}|far end|near end|controller)\b")


def report(a: WaveFindings) -> Report:
    """The analysis as every reader gives it."""
    title = f"Oscilloscope recording, {a.scan.samples} samples" + (f" at unit {a.probe}" if a.probe is not None else "")
    return Report(
        kind="waveform", title=title, says=says(a), taken=take(a), figures=figures(a),
        understood=a.tally.understood, not_understood=a.tally.not_understood, samples=tuple(a.tally.samples),
        drawings=drawings(a),
    )  # fmt: skip


@reader("waveform", "Oscilloscope recording (CSV)", scope_csv.recognise, ("unit", "trunk-end", "controller"))
def read(stream: IO[bytes], asked: Asked) -> Report:
    """Read a recording; the probe sat where was given, else where its name or a comment line says, else at the controller."""
    named = _PROBE_NAMED.search(re.sub(r"[\s_-]+", " ", asked.name.lower()))
    probe = str(asked.at) if asked.at else asked.point or (named.group(0) if named else None)
    return report(find(stream, asked.site, probe))
