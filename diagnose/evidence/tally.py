"""What became of the pieces of a file: understood, not understood, cut, with a few samples of those not understood."""

from __future__ import annotations

from diagnose.source.problems import one_line

SAMPLES, SAMPLE_LENGTH = 5, 160
ROW_SHOWN = 80  # bytes of a refused row


class Tally:
    """Pieces understood and not, with a few samples of the latter; `cut` counts what was left out of overlong lines."""

    def __init__(self) -> None:
        self.understood = 0
        self.not_understood = 0
        self.cut = 0
        self.samples: list[str] = []

    def took(self, count: int = 1) -> None:
        """So many pieces were understood."""
        self.understood += count

    def missed(self, where: str, text: str, count: int = 1) -> None:
        """So many pieces were not understood; `text` is the first of them."""
        self.not_understood += count
        if len(self.samples) < SAMPLES:
            self.samples.append(f"{where}: {one_line(text, SAMPLE_LENGTH)}")

    def refused(self, row: bytes, why: str, count: int = 1) -> None:
        """So many rows of a table are none."""
        self.missed(why, row[:ROW_SHOWN].decode("utf-8", "replace"), count)

    def endless(self, line: bytes) -> tuple[bytes, bytes | None]:
        """Leave out a row without end (see `lines.Endless`)."""
        self.cut += 1
        self.refused(line, "a line without end")
        return b"", None

    def notes(self) -> tuple[str, ...]:
        """What has to be said about the reading itself."""
        return (f"{self.cut} characters of very long lines were not looked at",) if self.cut else ()
