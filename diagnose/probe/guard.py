"""The last gate before the wire: a frame that is no plain read does not get through.

Sources: MODBUS Application Protocol V1.1b3, 6 (requests), MODBUS over Serial Line V1.02 (frames),
MODBUS Messaging on TCP/IP V1.0b (header).
"""

from __future__ import annotations

from collections.abc import Callable

from diagnose.physics import serial
from diagnose.probe.plan import READ_IDENTITY, READS, REPORT_ID

IDENTIFICATION_TYPE = 0x0E
HEADER = 7


class WriteRefused(RuntimeError):
    """Somebody tried to send what is no read; nothing has been sent."""


def require_read(unit: int, pdu: bytes) -> None:
    """Raises WriteRefused unless the request only reads, goes to one unit, and is nothing but the request."""
    if unit not in serial.UNIT_ADDRESSES:
        raise WriteRefused(f"address {unit} is no single unit's; a probe asks addresses 1 to 247")
    function = pdu[0] if pdu else -1
    if function not in READS:
        raise WriteRefused(f"function {function} does not only read; a probe sends {', '.join(str(f) for f in sorted(READS))}")
    if function == READ_IDENTITY:
        fits = len(pdu) == 4 and pdu[1] == IDENTIFICATION_TYPE and 1 <= pdu[2] <= 4
    elif function == REPORT_ID:
        fits = len(pdu) == 1
    else:
        quantity = int.from_bytes(pdu[3:5], "big")
        fits = len(pdu) == 5 and 1 <= quantity <= serial.QUANTITY_LIMITS[function]
    if not fits:
        raise WriteRefused(f"{pdu.hex(' ')} is no whole request of function {function}")


def require_serial_read(frame: bytes) -> None:
    """As `require_read`, for a frame of the serial line with its CRC."""
    if not serial.crc_good(frame):
        raise WriteRefused(f"{frame[:16].hex(' ')} is no frame with its checksum")
    require_read(frame[0], frame[1:-2])


def require_tcp_read(frame: bytes) -> None:
    """As `require_read`, for a frame with the header of TCP."""
    if len(frame) <= HEADER or frame[2:4] != b"\0\0" or int.from_bytes(frame[4:6], "big") != len(frame) - 6:
        raise WriteRefused(f"{frame[:16].hex(' ')} is no frame with the header of TCP")
    require_read(frame[6], frame[HEADER:])


class ReadOnly:
    """Stands around the one function that puts bytes on the wire; nothing else holds it."""

    def __init__(self, put: Callable[[bytes], None], require: Callable[[bytes], None]) -> None:
        self.__put = put
        self.__require = require

    def send(self, frame: bytes) -> None:
        """Put a frame on the wire. Raises WriteRefused before the first byte of anything but a read."""
        self.__require(frame)
        self.__put(frame)
