"""One recording written down in the shapes that loggers, sniffers and debug logs use."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from diagnose.evidence.serial.frames import KEPT, Framer, Gap, joined
from tests.evidence.record_serial import Event, as_log


def _words(data: bytes, form: str = "{:02X}", gap: str = " ") -> str:
    return gap.join(form.format(byte) for byte in data)


def _rows(events: list[Event], row: Callable[[Event], str]) -> bytes:
    return "".join(row(e) + "\n" for e in events).encode()


def _clock(at: float, decimals: int = 3) -> str:
    at = round(at, decimals)
    return f"{int(at // 3600) % 24:02d}:{int(at // 60) % 60:02d}:{at % 60:0{decimals + 3}.{decimals}f}"


def _debug(events: list[Event]) -> bytes:
    """As a library's debug log has it: send and recv with 0x words, and the bytes told again on their way."""
    rows = []
    for e in events:
        text = _words(e.data, "0x{:x}")
        if e.way == "TX":
            rows.append(f"2025-03-04 {_clock(e.at).replace('.', ',')} DEBUG transport send: {text}")
        else:
            rows.append(f"2025-03-04 {_clock(e.at).replace('.', ',')} DEBUG transport recv: {text} old_data:  addr=None")
            rows.append(f"2025-03-04 {_clock(e.at).replace('.', ',')} DEBUG base Processing: {text}")
    return ("\n".join(rows) + "\n").encode()


def _deltas(events: list[Event]) -> bytes:
    before, rows = events[0].at, []
    for e in events:
        rows.append(f"+{1000 * (e.at - before):.3f} ms {'>' if e.way == 'TX' else '<'} {_words(e.data)}")
        before = e.at
    return ("\r\n".join(rows) + "\r\n").encode()


def _bundled(events: list[Event], width: int = 16) -> bytes:
    """A dump: lines of sixteen bytes with their place in front and letters behind; breaks mean nothing."""
    data = b"".join(e.data for e in events)
    rows = []
    for at in range(0, len(data), width):
        part = data[at : at + width]
        letters = "".join(chr(b) if 32 <= b < 127 else "." for b in part)
        rows.append(f"{at:08x}  {_words(part[:8], '{:02x}')}  {_words(part[8:], '{:02x}')}".ljust(60) + f"|{letters}|")
    return ("\n".join(rows) + "\n").encode()


MARKED_TIMED: dict[str, Callable[[list[Event]], bytes]] = {
    "iso": lambda ev: as_log(ev).encode(),
    "clock-arrows": lambda ev: _rows(ev, lambda e: f"[{_clock(e.at, 6)}] {'-->' if e.way == 'TX' else '<--'} {_words(e.data, '{:02x}')}"),
    "seconds-sent-received": lambda ev: _rows(ev, lambda e: f"{e.at:.6f} {'sent' if e.way == 'TX' else 'received'}: {_words(e.data, '{:02x}', '')}"),
    "epoch-0x": lambda ev: _rows(ev, lambda e: f"{1.7e9 + e.at:.6f} {e.way} {_words(e.data, '0x{:02X}')}"),
    "deltas": _deltas,
    "debug-log": _debug,
    "escaped": lambda ev: _rows(ev, lambda e: f"{_clock(e.at)} {'write' if e.way == 'TX' else 'read'} {e.data!r}" if "\\x" in repr(e.data)
                                else f"{_clock(e.at)} {e.way} {_words(e.data)}"),
    "dashes": lambda ev: _rows(ev, lambda e: f"{_clock(e.at)};{e.way};{_words(e.data, '{:02X}', '-')}"),
}  # fmt: skip
MARKED: dict[str, Callable[[list[Event]], bytes]] = {
    "brackets": lambda ev: _rows(ev, lambda e: "".join(f"[{b:02X}]" if e.way == "TX" else f"<{b:02X}>" for b in e.data)),
    "rx-tx": lambda ev: _rows(ev, lambda e: f"{e.way}: {_words(e.data)}"),
}
TIMED: dict[str, Callable[[list[Event]], bytes]] = {
    "sniffer": lambda ev: _rows(ev, lambda e: f"{e.at:10.6f} {_words(e.data)}"),
}
BARE: dict[str, Callable[[list[Event]], bytes]] = {
    "hex-lines": lambda ev: _rows(ev, lambda e: _words(e.data)),
    "dump": _bundled,
    "contiguous": lambda ev: b"".join(e.data for e in ev).hex().encode() + b"\n",
    "colons": lambda ev: _rows(ev, lambda e: _words(e.data, "{:02x}", ":")),
    "binary": lambda ev: b"".join(e.data for e in ev),
}
SHAPES = MARKED_TIMED | MARKED | TIMED | BARE


def frames_of(pieces: Iterable[bytes]) -> tuple[list[bytes], list[bytes]]:
    """Frames and gaps of a short stream as bytes, for any cut into pieces; gaps cut to their first 512 bytes."""
    framer, held = Framer(), bytearray()
    found: list[bytes] = []
    gaps: list[Gap] = []
    for data, last in [*((p, False) for p in pieces), (b"", True)]:
        held += data
        frames, parts = framer.feed(data, last)
        found += [bytes(held[s : s + n]) for s, n in zip(frames.start.tolist(), frames.length.tolist(), strict=True)]
        for part in parts:
            if gaps and gaps[-1].start + gaps[-1].length == part.start:
                gaps[-1] = joined(gaps[-1], part)
            else:
                gaps.append(part)
    return found, [g.head[:KEPT] for g in gaps]
