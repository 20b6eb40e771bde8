"""Serial timing and frames. Sections and rows are those of the fact sheet on communication wiring."""

import pytest
from crcmod.predefined import mkPredefinedCrcFun
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import serial

# Section 7, timing (MODBUS over Serial Line V1.02, 2.5.1): baud, bit us, char ms, t1.5 ms, t3.5 ms, request ms, frame ms.
TIMING = [
    (1200, 833.3, 9.167, 13.75, 32.083, 73.33, 2347),
    (2400, 416.7, 4.583, 6.875, 16.04, 36.67, 1173),
    (4800, 208.3, 2.292, 3.438, 8.021, 18.33, 586.7),
    (9600, 104.17, 1.146, 1.719, 4.0104, 9.167, 293.3),
    (19_200, 52.08, 0.5729, 0.8594, 2.0052, 4.583, 146.7),
    (38_400, 26.04, 0.2865, 0.750, 1.750, 2.292, 73.33),
    (57_600, 17.36, 0.1910, 0.750, 1.750, 1.528, 48.89),
    (115_200, 8.681, 0.0955, 0.750, 1.750, 0.764, 24.44),
]


@pytest.mark.parametrize("row", TIMING)
def test_timing_table(row):
    rate, _, char, _, silence, request, frame = row
    seconds = [serial.char_s(rate), serial.t35_s(rate), serial.frame_s(rate, 8), serial.frame_s(rate, 256)]
    assert [1e3 * s for s in seconds] == pytest.approx([char, silence, request, frame], rel=1e-3)


@pytest.mark.parametrize(("rate", "unfixed"), [(38_400, 1.003), (57_600, 0.668), (115_200, 0.334)])
def test_fixed_silence_is_longer(rate, unfixed):  # section 7, below the timing table
    assert 3500 * serial.char_s(rate) == pytest.approx(unfixed, rel=1e-3)
    assert serial.t35_s(rate) > serial.char_s(rate) * 3.5


@pytest.mark.parametrize(("rate", "ms"), [(9600, 78.75), (19_200, 44.375), (38_400, 28.682), (115_200, 18.561)])
def test_poll_vector(rate, ms):  # section 14, poll_unit_ms
    assert 1e3 * serial.unit_poll_s(rate, 20) == pytest.approx(ms, rel=1e-3)


@pytest.mark.parametrize(
    ("units", "registers", "times"),
    [(10, 20, (787.5, 443.8, 286.8, 185.6)), (4, 10, (223.3, 131.7, 91.8, 66.6)),
     (32, 20, (2520, 1420, 917.8, 593.9)), (1, 125, (319.4, 164.7, 88.8, 38.6))],
)  # fmt: skip
def test_poll_cycle_table(units, registers, times):  # section 7, poll cycle
    got = [1e3 * serial.poll_cycle_s(rate, units, registers) for rate in (9600, 19_200, 38_400, 115_200)]
    assert got == pytest.approx(times, rel=1e-3)


@pytest.mark.parametrize(("rate", "dead", "timeout", "ms"), [(9600, 1, 1.0, 3736), (19_200, 1, 1.0, 3413),
                                                     (9600, 1, 0.2, 1336), (19_200, 2, 1.0, 6383)])  # fmt: skip
def test_dead_units(rate, dead, timeout, ms):  # section 7, below the cycle table
    assert 1e3 * serial.poll_cycle_s(rate, 10, 20, dead=dead, timeout_s=timeout) == pytest.approx(ms, rel=1e-3)


def test_single_reads_and_timeout():  # section 7
    assert 1e3 * 20 * serial.unit_poll_s(9600, 1) == pytest.approx(704, abs=0.6)
    assert 1e3 * serial.needed_timeout_s(9600, 125) == pytest.approx(306, abs=0.3)


# Section 7, CRC, wire order; PDUs of MODBUS Application Protocol V1.1b3, clause in the comment.
CRC = {
    "313233343536373839": "374B",  # catalogue check value 0x4B37
    "0207": "4112",  # MODBUS over Serial Line V1.02, 6.2.2
    "010300850001": "95E3",
    "010100130013": "8C02", "110100130013": "8E92",  # 6.1
    "010103CD6B05": "4282", "110103CD6B05": "4012",
    "010200C40016": "B839", "110200C40016": "BAA9",  # 6.2
    "010203ACDB35": "2288", "110203ACDB35": "2018",
    "0103006B0003": "7417", "1103006B0003": "7687",  # 6.3
    "010306022B00000064": "057A", "110306022B00000064": "C8BA",
    "010400080001": "B008", "110400080001": "B298",  # 6.4
    "010402000A": "3937", "110402000A": "F8F4",
    "010500ACFF00": "4C1B", "110500ACFF00": "4E8B",  # 6.5
    "010600010003": "980B", "110600010003": "9A9B",  # 6.6
    "01080000A537": "DA8D", "11080000A537": "D81D",  # 6.8
    "010F0013000A02CD01": "72CB", "110F0013000A02CD01": "BF0B",  # 6.11
    "011000010002" + "04000A0102": "9230", "111000010002" + "04000A0102": "C6F0",  # 6.12
    "018102": "C191", "118102": "C054",  # 7
    "01030000000A": "C5CD", "018302": "C0F1", "01830B": "00F7", "000600010003": "99DA",
}  # fmt: skip


@pytest.mark.parametrize(("frame", "wire"), CRC.items())
def test_crc_table(frame, wire):  # section 7 and 14, crc_wire
    sent = serial.with_crc(bytes.fromhex(frame))
    assert sent[-2:].hex().upper() == wire
    assert serial.crc16(sent) == 0


@given(st.binary(min_size=1, max_size=254))
def test_crc_against_crcmod(data):
    assert serial.crc16(data) == mkPredefinedCrcFun("modbus")(data)


@given(st.binary(min_size=2, max_size=60), st.data())
def test_crc_sees_any_burst_of_sixteen_bits(data, pick):
    sent = int.from_bytes(serial.with_crc(data), "little")
    size = len(data) + 2
    burst = pick.draw(st.integers(1, 0xFFFF)) << pick.draw(st.integers(0, 8 * size - 16))
    assert not serial.crc_good((sent ^ burst).to_bytes(size, "little"))
    assert serial.crc_good(serial.with_crc(data))


def test_exceptions():  # section 7, MODBUS Application Protocol V1.1b3, 7
    assert set(serial.EXCEPTIONS) == {1, 2, 3, 4, 5, 6, 8, 0x0A, 0x0B}
    assert "serial" in serial.EXCEPTIONS[0x0B].says


def test_sizes_and_addresses():  # section 7, A1-A4, A8, M1, M7
    assert serial.QUANTITY_LIMITS[1] == 0x7D0
    assert serial.QUANTITY_LIMITS[3] == 0x7D
    assert serial.QUANTITY_LIMITS[15] == 0x7B0
    assert serial.QUANTITY_LIMITS[16] == 0x7B
    assert serial.QUANTITY_LIMITS[23] == 0x79
    assert (min(serial.UNIT_ADDRESSES), max(serial.UNIT_ADDRESSES)) == (1, 247)
    assert serial.reply_bytes(125) + 1 <= serial.FRAME_BYTES == 1 + 253 + 2


@given(st.sampled_from(serial.STANDARD_RATES), st.integers(1, 40), st.integers(1, 125))
def test_cycle_grows(rate, units, registers):
    assert serial.poll_cycle_s(rate, units + 1, registers) > serial.poll_cycle_s(rate, units, registers)
    assert serial.needed_timeout_s(rate, registers) < serial.unit_poll_s(rate, registers)


@pytest.mark.parametrize(
    "call",
    [
        lambda: serial.char_s(-1),
        lambda: serial.frame_s(9600, 257),
        lambda: serial.reply_bytes(126),
        lambda: serial.poll_cycle_s(9600, 2, 10, dead=3),
    ],
)
def test_one_line_errors(call):
    with pytest.raises(ValueError, match=r"^[^\n]{10,110}$"):
        call()
