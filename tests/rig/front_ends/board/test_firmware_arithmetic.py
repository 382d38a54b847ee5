"""The firmware's own arithmetic, compiled for this computer and called from here."""

import ctypes
import math
import random
import subprocess
from pathlib import Path

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from rig.front_ends.board.frames import crc16
from rig.front_ends.board.link import Settings

FIRMWARE = Path(__file__).parents[4] / "hardware_notes" / "firmware"


class CSettings(ctypes.Structure):
    _fields_ = [
        ("half_period", ctypes.c_uint16),
        ("cycles", ctypes.c_uint8),
        ("sample_period", ctypes.c_uint16),
        ("gate_start", ctypes.c_uint16),
        ("gate_length", ctypes.c_uint16),
        ("gain_step", ctypes.c_uint8),
    ]


@pytest.fixture(scope="module")
def arithmetic(tmp_path_factory):
    library = tmp_path_factory.mktemp("firmware") / "arithmetic.so"
    subprocess.run(
        [
            *("gcc", "-shared", "-fPIC", "-std=gnu11", "-Wall", "-Wextra", "-Werror"),
            *("-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"),
            *("-o", str(library), str(FIRMWARE / "arithmetic.c")),
        ],
        check=True,
    )
    code = ctypes.CDLL(str(library))
    code.crc16.restype = code.read_u16.restype = ctypes.c_uint16
    code.crc16.argtypes = [ctypes.c_char_p, ctypes.c_uint8, ctypes.c_uint16]
    code.cobs_decode.restype = code.thermistor_centi_c.restype = ctypes.c_int16
    code.thermistor_centi_c.argtypes = [ctypes.c_uint16]
    code.first_sample_tick.restype = ctypes.c_int32
    code.settings_problem.restype = ctypes.c_uint8
    code.part_count.restype = code.part_samples.restype = ctypes.c_uint8
    code.part_count.argtypes = [ctypes.c_uint16]
    code.part_samples.argtypes = [ctypes.c_uint16, ctypes.c_uint8]
    code.read_u32.restype = ctypes.c_uint32
    return code


def settings(**other):
    usual = {
        "half_period": 200,
        "cycles": 12,
        "sample_period": 256,
        "gate_start": 0,
        "gate_length": 1152,
        "gain_step": 0,
    }
    return CSettings(**(usual | other))


def test_check_value_agrees_with_the_standard_library(arithmetic):
    rng = random.Random(1)
    for size in range(254):
        data = rng.randbytes(size)
        assert arithmetic.crc16(data, size, 0xFFFF) == crc16(data)


def test_unstuffing_undoes_the_librarys_stuffing(arithmetic):
    rng = random.Random(2)
    for size in range(254):
        data = bytes(rng.choice([0, 1, 255]) for _ in range(size))
        coded = cobs.encode(data)
        buffer = ctypes.create_string_buffer(coded, len(coded))
        assert arithmetic.cobs_decode(buffer, len(coded)) == size
        assert buffer.raw[:size] == data


@given(data=st.binary(max_size=32))
def test_unstuffing_takes_any_bytes_and_agrees_on_which_are_stuffed(arithmetic, data):
    buffer = ctypes.create_string_buffer(data, len(data) + 1)
    got = arithmetic.cobs_decode(buffer, len(data))
    try:
        expected = cobs.decode(data)
    except cobs.DecodeError:
        assert got == -1
    else:
        assert buffer.raw[:got] == expected


def test_settings_are_laid_out_as_the_host_writes_them(arithmetic):
    host = Settings(
        half_period_ticks=0x0102,
        cycles=3,
        sample_period_ticks=0x0405,
        gate_start=0x0607,
        gate_length=0x0809,
        gain_step=10,
    )
    read = CSettings()
    arithmetic.settings_read(host.to_body(), ctypes.byref(read))
    assert [getattr(read, name) for name, _ in CSettings._fields_] == [
        0x0102,
        3,
        0x0405,
        0x0607,
        0x0809,
        10,
    ]
    back = ctypes.create_string_buffer(10)
    arithmetic.settings_write(ctypes.byref(read), back)
    assert back.raw == host.to_body()


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("half_period", [100, 4000], [0, 99, 4001, 65535]),
        ("cycles", [1, 64], [0, 65, 255]),
        ("sample_period", [208, 224, 256, 2048], [0, 207, 209, 216, 225, 2056, 65535]),
        ("gate_start", [0, 4096], [4097, 65535]),
        ("gate_length", [16, 1152], [0, 15, 1153, 65535]),
        ("gain_step", [0, 3], [4, 255]),
    ],
)
def test_each_setting_is_held_to_what_the_board_can_do(arithmetic, field, good, bad):
    number = 1 + [name for name, _ in CSettings._fields_].index(field)
    for value in good:
        assert arithmetic.settings_problem(ctypes.byref(settings(**{field: value}))) == 0
    for value in bad:
        assert arithmetic.settings_problem(ctypes.byref(settings(**{field: value}))) == number


def test_gate_moves_the_first_sample_by_whole_sample_periods(arithmetic):
    none = arithmetic.first_sample_tick(ctypes.byref(settings()))
    for start in (1, 7, 4096):
        gated = settings(gate_start=start, sample_period=2048)
        base = settings(sample_period=2048)
        ticks = arithmetic.first_sample_tick(ctypes.byref(gated))
        assert ticks - arithmetic.first_sample_tick(ctypes.byref(base)) == start * 2048
    slower = settings(half_period=201)
    assert arithmetic.first_sample_tick(ctypes.byref(slower)) == none - 1


@given(samples=st.integers(1, 1152))
def test_parts_add_up_to_the_capture(arithmetic, samples):
    parts = arithmetic.part_count(samples)
    sizes = [arithmetic.part_samples(samples, n) for n in range(parts)]
    assert sum(sizes) == samples
    assert min(sizes) > 0
    assert parts <= 32
    assert arithmetic.part_samples(samples, parts) == 0


def test_thermistor_table_follows_the_b_equation_within_a_tenth_of_a_degree(arithmetic):
    # The two-point equation R = R25 exp(B (1/T - 1/298.15)); common practice. Straight
    # lines over 5 degrees leave at most 0.094, rounding to 1/100 another 0.005, and a
    # step of the sum is 0.03 at the worst.
    for tenths in range(-99, 500):
        celsius = tenths / 10
        ratio = math.exp(3950 * (1 / (celsius + 273.15) - 1 / 298.15))
        reading = round(16368 * ratio / (ratio + 1))
        assert abs(arithmetic.thermistor_centi_c(reading) / 100 - celsius) < 0.13


@pytest.mark.parametrize("reading", [0, 100, 4321, 13971, 16368])
def test_thermistor_that_is_torn_off_or_shorted_gives_no_temperature(arithmetic, reading):
    assert arithmetic.thermistor_centi_c(reading) == -32768
