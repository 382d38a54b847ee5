"""A plan is checked whole, and each complaint names file, key, found and allowed."""

import copy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.plan import plan_from_table, read_plan
from rig.bench.pulse_kinds import Golay
from rig.bench.waveforms import pulses_of
from rig.errors import PlanError

CONTRACT = """
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.010
taper = "tukey"
taper_fraction = 0.1
[timing]
sample_rate_hz = 48000
ping_interval_s = 0.25
[receiver]
weighting = "none"
range_start_m = 0.2
range_stop_m = 5.0
stack = 1
false_alarm_rate = 1e-6
[medium]
kind = "air"
temperature_c = 20.0
humidity_percent = 50.0
[geometry]
baseline_m = 0.12
time_zero = "direct"
loopback_channel = 2
[transducer]
shape = "piston"
radius_m = 0.03
"""

CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}


def with_keys(**tables: dict[str, Any]) -> dict[str, Any]:
    table: dict[str, Any] = {"pulse": dict(CHIRP)}
    for name, keys in tables.items():
        table.setdefault(name, {}).update(keys)
    return table


def test_every_key_of_the_contract_is_read(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(CONTRACT)
    plan = read_plan(path)
    assert plan.pulse.start_hz == 4000
    assert plan.receiver.false_alarm_rate == 1e-6
    assert plan.geometry.loopback_channel == 2
    assert plan.interval_samples == 12_000


def test_a_pulse_alone_is_a_plan_with_the_contract_s_defaults(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(CONTRACT)
    assert plan_from_table({"pulse": CHIRP}) == read_plan(path)


def test_a_plan_survives_being_written_as_its_table() -> None:
    plan = plan_from_table(with_keys(medium={"kind": "fresh-water"}, receiver={"stack": 4}))
    assert plan_from_table(plan.as_table()) == plan


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"pulse": {"start_khz": 4}}, r"pulse\.start_khz: unknown key; did you mean 'start_hz'\?"),
        ({"plusle": {}}, "plusle: unknown key; did you mean 'pulse'"),
        ({"pulse": {"start_hz": "4 kHz"}}, r"pulse\.start_hz: found '4 kHz'; give a number from"),
        ({"pulse": {"start_hz": 4.0}}, r"pulse\.start_hz: found 4\.0; give a number from 20 to"),
        ({"pulse": {"duration_s": 10}}, r"pulse\.duration_s: found 10; give a number .* to 0\.5"),
        ({"pulse": {"kind": "chrip"}}, r"pulse\.kind: found 'chrip'; give one of \"chirp\""),
        ({"pulse": {"taper": "round"}}, r"pulse\.taper: found 'round'; give one of \"none\""),
        ({"pulse": {"stop_hz": 4e3}}, r"pulse\.stop_hz: found 4000, the same as start_hz"),
        ({"pulse": {"stop_hz": 3e4}}, "reaches 30000 Hz; give at most half of timing.sample_rate"),
        ({"pulse": {"duration_s": 0.3}}, r"lasts 0\.3 s; give less than timing\.ping_interval_s"),
        ({"timing": {"sample_rate_hz": True}}, r"timing\.sample_rate_hz: found True; give a num"),
        ({"timing": {"sample_rate_hz": float("nan")}}, r"sample_rate_hz: found nan; give a number"),
        ({"receiver": {"stack": 1.5}}, r"receiver\.stack: found 1\.5; give a whole number from 1"),
        ({"receiver": {"range_stop_m": 0.1}}, r"range_stop_m: found 0\.1; give more than range_st"),
        ({"receiver": {"range_stop_m": 90}}, r"range_stop_m: found 90; an echo .* give at most 35"),
        ({"medium": {"kind": "oil"}}, r"medium\.kind: found 'oil'; give one of \"air\""),
        ({"medium": {"kind": "fresh-water", "temperature_c": -5}}, "give 0 to 40, where"),
        ({"geometry": {"time_zero": "guess"}}, r"geometry\.time_zero: found 'guess'; give one of"),
        ({"transducer": 3}, r"transducer: found 3; this is a table, written \[transducer\]"),
    ],
    ids=str,
)
def test_a_wrong_key_is_refused_in_one_line(tables: dict[str, Any], message: str) -> None:
    table: dict[str, Any] = {"pulse": dict(CHIRP)}
    for name, keys in tables.items():
        table[name] = {**table.get(name, {}), **keys} if isinstance(keys, dict) else keys
    with pytest.raises(PlanError, match=message) as caught:
        plan_from_table(table, source="mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert "\n" not in str(caught.value)


def test_a_missing_key_is_named_with_what_it_takes() -> None:
    table = with_keys()
    del table["pulse"]["duration_s"]
    with pytest.raises(PlanError, match=r"pulse\.duration_s: missing; give a number from 1e-05"):
        plan_from_table(table)


@pytest.mark.parametrize("content", [b"not toml at all", b"[pulse"])
def test_a_file_that_is_not_toml_is_refused_by_name(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "odd.toml"
    path.write_bytes(content)
    with pytest.raises(PlanError, match=r"odd\.toml: is not TOML"):
        read_plan(path)


def test_a_file_that_is_not_text_is_refused_with_the_place(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    # 0xe9 is é in Latin-1, and in UTF-8 the start of three bytes (RFC 3629, from memory).
    path.write_bytes(b"# caf\xe9\n[pulse]\n")
    with pytest.raises(PlanError, match=r"odd\.toml: is not text in UTF-8 \(from byte 5 on\)"):
        read_plan(path)


def test_a_file_that_is_not_there_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"none\.toml: cannot be read \(No such file"):
        read_plan(tmp_path / "none.toml")


def test_golay_pings_take_turns() -> None:
    golay = {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 32}
    plan = plan_from_table({"pulse": golay})
    assert isinstance(plan.pulse, Golay)
    assert plan.pulses_per_cycle == len(pulses_of(plan)) == 2


@pytest.mark.parametrize("chips", [3, 12, 100])
def test_golay_chips_are_a_power_of_two(chips: int) -> None:
    golay = {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": chips}
    with pytest.raises(PlanError, match=rf"pulse\.chips: found {chips}; give a power of two"):
        plan_from_table({"pulse": golay})


values = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=5),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=5), st.integers(), max_size=2),
)


@given(
    table=st.sampled_from(["pulse", "timing", "receiver", "medium", "geometry", "transducer"]),
    key=st.sampled_from(["kind", "start_hz", "stack", "temperature_c", "baseline_m", "x"]),
    value=values,
)
def test_whatever_stands_in_a_file_gives_a_plan_or_a_plan_error(
    table: str, key: str, value: object
) -> None:
    whole = copy.deepcopy({"pulse": dict(CHIRP)})
    whole.setdefault(table, {})[key] = value  # type: ignore[index]
    try:
        plan = plan_from_table(whole)
    except PlanError as problem:
        assert "\n" not in str(problem)  # noqa: PT017
    else:
        assert plan.interval_samples > 0
