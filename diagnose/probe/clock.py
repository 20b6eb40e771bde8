"""How far this computer's clock is off: by the time service, or by the date in an HTTP reply.

Sources: RFC 5905 (time service; 7.3 header, 7.4 kiss codes, 14 simple clients), RFC 4330, 3 (which half of the
seconds a date falls into), RFC 9110, 6.6.1 (Date).
"""

from __future__ import annotations

import os
import socket
import struct
import time
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import NamedTuple

from diagnose.probe.target import Until
from diagnose.source.problems import one_line

PACKET = struct.Struct("!BBbbII4sQQQQ")
NTP_TO_UNIX = 2_208_988_800
"""Seconds from 1900 to 1970 (RFC 5905, 6)."""
EARLIEST = 1_704_067_200.0
"""2024-01-01: no clock that is right shows less, since this was not written before."""
LATEST = EARLIEST + 100 * 365.25 * 86_400
MOST_PACKETS, TRIES = 16, 2


class Offset(NamedTuple):
    """This clock minus the other, s, give or take `uncertainty` s; `by` says whose word that is."""

    seconds: float
    uncertainty: float
    by: str


class TimeAnswer(NamedTuple):
    """What came of asking: an offset, or why not. `answered`: something came back from the server."""

    offset: Offset | None
    answered: bool
    says: str
    strange: tuple[str, ...] = ()


def request(nonce: int) -> bytes:
    """A client's packet, version 4. The transmit time is a random number, so that only a true reply carries it."""
    return PACKET.pack(0x23, 0, 0, 0, 0, 0, bytes(4), 0, 0, 0, nonce)


def judge(packet: bytes, nonce: int, sent: float, received: float, by: str) -> TimeAnswer | None:
    """What a packet says; None for one that is no reply to this request. `sent`, `received`: own clock, s since 1970."""
    if len(packet) < PACKET.size:
        return None
    first, stratum, _, _, root_delay, dispersion, reference, _, origin, arrived, left = PACKET.unpack_from(packet)
    if first & 7 != 4 or origin != nonce or (first >> 3) & 7 not in (3, 4):
        return None
    if stratum == 0:
        code = one_line(reference.decode("ascii", "replace").rstrip("\0"), 8)
        return TimeAnswer(None, True, f"the time service turns this computer away ({code}); it was not asked again")
    if first >> 6 == 3 or stratum > 15 or not left:
        return TimeAnswer(None, True, "the time service answers, but is not set to the time itself")
    there_in, there_out = _unix(arrived or left), _unix(left)
    if there_out < EARLIEST:
        when = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=there_out)).date()  # time.gmtime knows nothing before 1970 on Windows
        return TimeAnswer(None, True, f"the time service shows {when}, so its own clock is wrong; it was not believed")
    held = max(0.0, there_out - there_in)
    delay = max(0.0, (received - sent) - held)
    server_ahead = ((there_in - sent) + (there_out - received)) / 2
    uncertainty = delay / 2 + dispersion / 65536 + root_delay / 131072
    offset = Offset(-server_ahead, uncertainty, by)
    return TimeAnswer(offset, True, f"by {by} (stratum {stratum}) this clock is {tell(offset)}")


def _unix(stamp: int) -> float:
    seconds = stamp >> 32
    era = 0 if seconds & 0x8000_0000 else 1 << 32
    return seconds + era - NTP_TO_UNIX + (stamp & 0xFFFF_FFFF) / (1 << 32)


def tell(offset: Offset) -> str:
    """`1.25 s ahead, give or take 0.01 s`."""
    size = abs(offset.seconds)
    amount = f"{size:.3f} s" if size < 600 else f"{size / 86_400:.2f} days" if size >= 86_400 else f"{size / 60:.1f} min"
    if size <= offset.uncertainty:
        return f"right, give or take {offset.uncertainty:.3f} s"
    return f"{amount} {'ahead' if offset.seconds > 0 else 'behind'}, give or take {offset.uncertainty:.3f} s"


def by_date(text: str, sent: float, received: float) -> Offset | None:
    """The offset by a Date field, which only has whole seconds; None for what is no date of this century."""
    if len(text) > 60:
        return None
    try:
        there = parsedate_to_datetime(text).timestamp()
    except (TypeError, ValueError, OverflowError, OSError):
        return None
    if not EARLIEST <= there <= LATEST:
        return None
    # The reply was dated within [sent, received]; its true second is anywhere in [there, there + 1).
    least, most = sent - there - 1, received - there
    return Offset((least + most) / 2, (most - least) / 2, "the date in the reply")


def ask(address: tuple[str, int], family: int, until: Until, by: str) -> TimeAnswer:
    """Ask a time service once, and once more when nothing comes; a reply that turns away is the end of it."""
    strange: list[str] = []
    nonce = int.from_bytes(os.urandom(8), "big") | 1
    with socket.socket(family, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(address)  # only datagrams of this address are delivered
            for turn in range(TRIES):
                share = Until(until.left() / (TRIES - turn))
                sent, began = time.time(), time.monotonic()
                sock.send(request(nonce))
                while len(strange) < MOST_PACKETS:
                    try:
                        share.arm(sock)
                        packet = sock.recv(1024)
                    except TimeoutError:
                        break
                    answer = judge(packet, nonce, sent, sent + (time.monotonic() - began), by)
                    if answer is not None:
                        return answer._replace(strange=tuple(strange))
                    strange.append(f"from the time service: {packet[:48].hex()}")
        except ConnectionRefusedError:
            return TimeAnswer(None, False, f"the port of {by} is closed")
        except OSError as error:
            return TimeAnswer(None, False, one_line(f"{by} is not reached: {error.strerror or error}"), tuple(strange))
    if strange:
        return TimeAnswer(None, False, f"{by} sends {len(strange)} packets that are no time", tuple(strange))
    return TimeAnswer(None, False, f"{by} does not answer")
