"""The plans to start from: what they say is what the notes ask for and hardware can do."""

import tomllib
from importlib import resources

import pytest

from rig.bench.plan import plan_from_table, read_plan
from rig.bench.start_plans import START_PLANS, start_plan, write_start_plan
from rig.errors import PlanError, StorageError


def plan_of(name):
    return plan_from_table(tomllib.loads(start_plan(name)), source=name)


def test_each_file_that_ships_has_its_name():
    files = {entry.name for entry in (resources.files("rig.bench") / "plans").iterdir()}
    assert files == {f"{name}.toml" for name in START_PLANS}


@pytest.mark.parametrize("name", START_PLANS)
def test_what_is_written_reads_back_whole(name, tmp_path):
    path = tmp_path / "mine.toml"
    write_start_plan(name, path)
    assert path.read_bytes() == start_plan(name).encode()
    assert read_plan(path) == plan_of(name)


@pytest.mark.parametrize("name", START_PLANS)
def test_the_names_of_the_keys_and_what_is_one_s_own_are_there(name):
    lines = start_plan(name).splitlines()
    assert lines[0].startswith("# ")
    # Spacing, temperature and one of the medium's: what no two benches share.
    owned = {line.split(" = ")[0] for line in lines if "# yours" in line}
    assert {"baseline_m", "temperature_c"} <= owned
    assert max(map(len, lines)) <= 100


def test_media_and_time_zeros_are_those_of_the_bench():
    assert {name: plan_of(name).medium.kind for name in START_PLANS} == {
        "air": "air",
        "tank": "fresh-water",
        "board": "air",
    }
    # A board's timers know when the burst left; a sound card must hear it.
    assert {name: plan_of(name).geometry.time_zero for name in START_PLANS} == {
        "air": "direct",
        "tank": "direct",
        "board": "calibration",
    }


def test_the_tank_s_band_is_one_that_a_fast_sound_interface_passes():
    plan = plan_of("tank")
    # hardware_notes/buying.md: 192 kHz for a band up to 80 kHz; transducers of 40 to 200 kHz.
    assert plan.timing.sample_rate_hz == 192_000
    assert 40e3 <= plan.pulse.start_hz < plan.pulse.stop_hz <= 80e3


def test_the_air_bench_s_band_is_one_that_the_notes_loudspeaker_has():
    plan = plan_of("air")
    # hardware_notes/buying.md: 4 to 12 kHz; a cone or dome of 25 to 60 mm across.
    assert (plan.pulse.start_hz, plan.pulse.stop_hz) == (4e3, 12e3)
    assert 0.0125 <= plan.transducer.radius_m <= 0.030
    assert plan.timing.sample_rate_hz == 48_000


def test_another_name_is_refused_with_those_there_are(tmp_path):
    with pytest.raises(PlanError, match="found 'pool'; give one of air, tank, board"):
        write_start_plan("pool", tmp_path / "pool.toml")
    assert not list(tmp_path.iterdir())


def test_a_file_that_is_there_is_left_as_it_was(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    with pytest.raises(StorageError, match="is already there and is not overwritten"):
        write_start_plan("air", path)
    assert path.read_text() == "mine"


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(StorageError, match=r"mine\.toml: cannot be written \(No such file"):
        write_start_plan("air", tmp_path / "none" / "mine.toml")
