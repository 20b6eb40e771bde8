"""The serial line's timing, frames and replies.

Sources: MODBUS over Serial Line V1.02 (timing, CRC, counters), MODBUS Application Protocol V1.1b3 (replies, sizes).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

STANDARD_RATES = (1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200)
CHARACTER_BITS = 11
"""Start, 8 data, parity (or a second stop), stop (MODBUS over Serial Line V1.02, 2.5.1)."""
FIXED_SILENCE_ABOVE = 19_200
FIXED_T35_S = 1750e-6
REQUEST_BYTES, REPLY_OVERHEAD_BYTES, FRAME_BYTES = 8, 5, 256
UNIT_ADDRESSES = range(1, 248)
"""Addresses a unit may have; 0 is broadcast, 248 to 255 reserved (MODBUS over Serial Line V1.02, 2.2)."""
TYPICAL_PROCESSING_S = 0.010
"""Time a unit takes to prepare its reply, s (common practice, no source)."""
SEND_TOLERANCE = 0.01
"""Bit-rate error when sending (MODBUS over Serial Line V1.02, 3.2)."""

QUANTITY_LIMITS: Mapping[int, int] = {1: 2000, 2: 2000, 3: 125, 4: 125, 15: 1968, 16: 123, 23: 121}
"""Largest quantity per function code; for 23 the written part (MODBUS Application Protocol V1.1b3, 6)."""


class Meaning(NamedTuple):
    """A code's name and what it means on site."""

    name: str
    says: str


EXCEPTIONS: Mapping[int, Meaning] = {
    0x01: Meaning("illegal function", "the unit does not know this request, or is not set up for it yet"),
    0x02: Meaning("illegal data address", "first register plus quantity leaves the unit's register map"),
    0x03: Meaning("illegal data value", "the request itself is malformed; not a setting out of range"),
    0x04: Meaning("server device failure", "an error inside the unit that it cannot recover from"),
    0x05: Meaning("acknowledge", "accepted, but it takes long; ask again later"),
    0x06: Meaning("server device busy", "the unit is busy; try again later"),
    0x08: Meaning("memory parity error", "the unit's file store is damaged"),
    0x0A: Meaning("gateway path unavailable", "the gateway is set up wrong or overloaded"),
    0x0B: Meaning("gateway target failed to respond", "no unit behind the gateway answered: look at the serial side"),
}
"""Exception codes (MODBUS Application Protocol V1.1b3, 7). Any of them proves wiring, speed, parity and address."""


def _rate(bit_rate: float) -> float:
    if not bit_rate > 0:
        raise ValueError(f"bit rate is {bit_rate:g}; it must be above zero")
    return bit_rate


def char_s(bit_rate: float, bits: int = CHARACTER_BITS) -> float:
    """Length of a character, s. Errors: as `bit_s`. Source: MODBUS over Serial Line V1.02, 2.5.1."""
    return bits / _rate(bit_rate)


def t35_s(bit_rate: float) -> float:
    """Shortest silence between frames, s. Errors: as `bit_s`. Source: MODBUS over Serial Line V1.02, 2.5.1.1."""
    return FIXED_T35_S if bit_rate > FIXED_SILENCE_ABOVE else 3.5 * char_s(bit_rate)


def frame_s(bit_rate: float, size: int) -> float:
    """Time on the wire, s, of a frame of `size` bytes. Errors: ValueError for a size outside 1 to 256.

    Source: MODBUS over Serial Line V1.02, 2.5.1.
    """
    if not 1 <= size <= FRAME_BYTES:
        raise ValueError(f"a frame has 1 to {FRAME_BYTES} bytes, not {size}")
    return size * char_s(bit_rate)


def reply_bytes(registers: int) -> int:
    """Bytes of the reply to a read of so many registers. Errors: ValueError outside 1 to 125.

    Source: MODBUS Application Protocol V1.1b3, 6.3.
    """
    if not 1 <= registers <= QUANTITY_LIMITS[3]:
        raise ValueError(f"one request reads 1 to {QUANTITY_LIMITS[3]} registers, not {registers}")
    return REPLY_OVERHEAD_BYTES + 2 * registers


def unit_poll_s(bit_rate: float, registers: int, processing_s: float = TYPICAL_PROCESSING_S) -> float:
    """Time to read so many registers of one unit, s, request to following silence; processing time in s.

    Errors: as `bit_s` and `reply_bytes`. Source: MODBUS over Serial Line V1.02, 2.5.1.
    """
    sizes = frame_s(bit_rate, REQUEST_BYTES) + frame_s(bit_rate, reply_bytes(registers))
    return sizes + 2 * t35_s(bit_rate) + processing_s


def dead_unit_s(bit_rate: float, timeout_s: float, attempts: int = 1) -> float:
    """Time in s that a silent unit costs in every cycle. Errors: as `bit_s`. Source: arithmetic on the above."""
    return attempts * (frame_s(bit_rate, REQUEST_BYTES) + timeout_s)


def poll_cycle_s(
    bit_rate: float,
    units: int,
    registers: int,
    processing_s: float = TYPICAL_PROCESSING_S,
    *,
    dead: int = 0,
    timeout_s: float = 1.0,
    attempts: int = 3,
) -> float:
    """Time in s to read every unit once, `dead` of them silent. Errors and source: as `unit_poll_s`."""
    if not 0 <= dead <= units:
        raise ValueError(f"{dead} silent units of {units}; at most all of them can be silent")
    alive = (units - dead) * unit_poll_s(bit_rate, registers, processing_s) if units > dead else 0.0
    return alive + dead * dead_unit_s(bit_rate, timeout_s, attempts)


def needed_timeout_s(bit_rate: float, registers: int, processing_s: float = TYPICAL_PROCESSING_S) -> float:
    """Shortest time-out in s that lets the whole reply arrive. Errors and source: as `unit_poll_s`."""
    return t35_s(bit_rate) + processing_s + frame_s(bit_rate, reply_bytes(registers))


def crc16(data: bytes) -> int:
    """CRC register after the bytes; on the wire the low byte comes first. Zero over a frame with its CRC.

    Source: MODBUS over Serial Line V1.02, 6.2.2.
    """
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xA001 if register & 1 else 0)
    return register


def with_crc(data: bytes) -> bytes:
    """The frame as it goes on the wire. Source: MODBUS over Serial Line V1.02, 6.2.2."""
    return data + crc16(data).to_bytes(2, "little")


def crc_good(frame: bytes) -> bool:
    """Whether a frame (at least address, function, CRC) ends in its CRC. Source: as `crc16`."""
    return len(frame) >= 4 and crc16(frame) == 0


