"""What a damaged stretch behind a request still tells about what happened to it.

Sources: MODBUS over Serial Line V1.02, 2.5.1 and 6.2.2; what receivers do with a character of wrong parity is
common practice (they hand on a zero, or the marks FF 00, or nothing).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from diagnose.evidence.serial.crc import crc, run_zeros

FEWEST_JUNK = 4  # bytes; less than the shortest frame is no reply
ENOUGH_BYTES = 24  # of one parity and none of the other: by chance once in 2 ** 24
LOST = 2  # bytes that may have been lost at the front


NOT_EVEN = bytes(n for n in range(256) if n.bit_count() & 1 or not n)
NOT_ODD = bytes(n for n in range(256) if not n.bit_count() & 1)


class Damage(NamedTuple):
    """`kind`: first-lost, marked, whole, request, short, long, damaged or junk; `even`, `odd`: bytes by their ones."""

    kind: str
    even: int
    odd: int
    headed: bool  # it begins as the reply would


def look(head: bytes, length: int, address: int, function: int, expect: int) -> Damage:
    """A gap behind a request of `function` to `address` whose reply has `expect` bytes (0 not known)."""
    front = bytes((address, function))
    even, odd = len(head.translate(None, NOT_EVEN)), len(head.translate(None, NOT_ODD))
    made: Callable[[str], Damage] = lambda kind: Damage(kind, even, odd, head.startswith(front))  # noqa: E731
    if len(head) < length:
        return made("long")
    if b"\xff\x00" in head and len(plain := unmarked(head)) >= FEWEST_JUNK and crc(plain) == 0:
        return made("marked")
    register = crc(head)
    if length > 2 and any(register == run_zeros(0xFFFF ^ crc(front[:n]), length) for n in range(1, LOST + 1)):
        return made("first-lost")  # the CRC is linear: with the lost bytes in front the register would be 0
    if length >= FEWEST_JUNK and register == 0:
        return made("whole")
    if expect != 8 and like_request(head) and (head[0], head[1]) != (address, function):
        return made("request")
    if length < FEWEST_JUNK and not front.startswith(head[:2]):
        return made("junk")
    if expect and length != expect:
        return made("short" if length < expect else "long")
    return made("damaged")


def unmarked(data: bytes) -> bytes:
    """Without the marks that a terminal driver sets before a character of wrong parity (FF 00 x, FF FF)."""
    return data.replace(b"\xff\xff", b"\xff\xfe\xfe").replace(b"\xff\x00", b"").replace(b"\xff\xfe\xfe", b"\xff")


def like_request(head: bytes) -> bool:
    """Whether eight bytes look like a damaged read request."""
    return len(head) == 8 and 1 <= head[1] <= 6 and head[0] <= 247 and (head[1] > 4 or head[4] <= 7)


def one_parity(even: int, odd: int) -> bool:
    """Whether the bytes that are left are all of one parity, too many of them for chance."""
    return even + odd >= ENOUGH_BYTES and min(even, odd) == 0
