"""The file that holds a calibration: JSON, written by ``echobench calibrate``."""

from __future__ import annotations

import dataclasses
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from dsp.ping.pulse.equalising import Replica
from dsp.ping.pulse.pulses import Pulse
from rig.bench.given_files import FIRST_YEAR, LAST_YEAR, checksum_of, json_of, read_text
from rig.bench.plan import Plan
from rig.bench.stored_calibration import (
    Calibration,
    StoredFinding,
    StoredLevel,
    StoredReplica,
    StoredSecond,
    StoredSpeed,
    StoredTimeZero,
)
from rig.bench.tables import build, number, shown, whole
from rig.errors import CalibrationError
from rig.files.whole import write_whole

CALIBRATION_NAME = "echobench-calibration.json"
"""The file that is looked for beside a plan or a recording where none is named."""

_FORMAT = 1
_CHECKSUM = "checksum"


def write_calibration(path: str | os.PathLike[str], calibration: Calibration) -> None:
    """Write a calibration file; one that is there is replaced, whole or not at all.

    Raises
    ------
    StorageError
    """
    c = calibration
    table = {
        "echobench_calibration": _FORMAT,
        "made": c.made.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "front_end": c.front_end,
        "device": c.device,
        "reported_latency_s": c.reported_latency_s,
        "pings": c.pings,
        "time_zero": None if c.time_zero is None else dataclasses.asdict(c.time_zero),
        "sound_speed": dataclasses.asdict(c.sound_speed),
        "level": None if c.level is None else dataclasses.asdict(c.level),
        "second": None if c.second is None else dataclasses.asdict(c.second),
        "findings": [dataclasses.asdict(f) for f in c.findings],
        "notes": list(c.notes),
        "plan": c.plan.as_table(),
        "replica": None if c.replica is None else _replica_table(c.replica),
    }
    write_whole(
        path,
        json.dumps({**table, _CHECKSUM: checksum_of(table)}, indent=1, allow_nan=False) + "\n",
        what="calibration",
        remedy=(
            "give --calibration a file in a folder that is there, may be written to and has room"
        ),
    )


def read_calibration(path: str | os.PathLike[str]) -> Calibration:
    """Read a calibration file.

    Raises
    ------
    CalibrationError
        Where it is missing or is not one; the message names the file.
    """
    name, remedy = os.fspath(path), "make one with `echobench calibrate --plan FILE`"
    if not os.path.exists(path):
        raise CalibrationError(f"{name}: no such calibration; {remedy}")
    text = read_text(path, error=CalibrationError, remedy=remedy)
    try:
        table = json_of(text)
        written = build(_Written, table, where="the file")
        if written.checksum not in (None, _of_all_else(table)):
            raise ValueError("it was changed since it was written")
        return _calibration(written)
    except ValueError as problem:
        raise CalibrationError(
            f"{name}: is no calibration of this bench ({problem}); {remedy}"
        ) from problem


def _of_all_else(table: dict[str, Any]) -> str:
    return checksum_of({key: value for key, value in table.items() if key != _CHECKSUM})


@dataclass(frozen=True, slots=True, kw_only=True)
class _WrittenPulse:
    """One pulse as it was heard."""

    lead_s: float = number(low=0.0, high=10.0)
    samples: tuple[float, ...] = number(low=-1e6, high=1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class _WrittenReplica:
    """A :class:`StoredReplica`, its pulses as lists of numbers."""

    source: str
    snr_db: float
    floor: float = number(low=1e-12, high=1e12)
    band_hz: tuple[float, float] = number(low=0.0, high=1e6)
    resolution_m: float = number(low=0.0, high=1e6)
    plain_resolution_m: float = number(low=0.0, high=1e6)
    noise_cost_db: float
    replicas: tuple[_WrittenPulse, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Written:
    """What the file holds, key by key."""

    echobench_calibration: int = whole(low=_FORMAT, high=_FORMAT)
    made: str
    front_end: str
    device: str
    reported_latency_s: float | None = number(low=0.0, high=1000.0)
    pings: int = whole(low=1, high=10**9)
    time_zero: StoredTimeZero | None
    sound_speed: StoredSpeed
    level: StoredLevel | None
    findings: tuple[StoredFinding, ...]
    notes: tuple[str, ...]
    plan: Plan
    replica: _WrittenReplica | None
    second: StoredSecond | None = None  # older files know of none
    checksum: str | None = None  # nor of this


def _calibration(written: _Written) -> Calibration:
    made = datetime.fromisoformat(written.made)
    if made.tzinfo is None:
        raise ValueError("made: has no time zone")
    if not FIRST_YEAR <= made.year <= LAST_YEAR:
        raise ValueError(f"made: found {shown(written.made)}; give a date of a computer's clock")
    replica = None if written.replica is None else _stored_replica(written.replica, written.plan)
    kept = {
        f.name: getattr(written, f.name)
        for f in dataclasses.fields(written)
        if f.name not in ("echobench_calibration", "made", "replica", _CHECKSUM)
    }
    return Calibration(made=made, replica=replica, **kept)


def _replica_table(stored: StoredReplica) -> dict[str, Any]:
    table: dict[str, Any] = {
        f.name: getattr(stored, f.name)
        for f in dataclasses.fields(stored)
        if f.name not in ("replicas", "band_hz")
    }
    table["band_hz"] = list(stored.band_hz)
    table["replicas"] = [
        # Nine digits give each sample of single precision back as it was.
        {"lead_s": r.lead_s, "samples": [float(f"{s:.9g}") for s in r.pulse.samples]}
        for r in stored.replicas
    ]
    return table


def _stored_replica(written: _WrittenReplica, plan: Plan) -> StoredReplica:
    rate = plan.timing.sample_rate_hz
    low, high = written.band_hz
    if not low < high <= rate / 2:
        raise ValueError(f"replica.band_hz: found {shown(list(written.band_hz))}")
    if len(written.replicas) != plan.pulses_per_cycle:
        raise ValueError(
            f"replica.replicas: found {len(written.replicas)}, and the plan has "
            f"{plan.pulses_per_cycle}"
        )
    replicas = []
    for place, each in enumerate(written.replicas):
        samples = np.array(each.samples, dtype=np.float32)
        if not 0 < samples.size <= plan.interval_samples or not samples.any():
            raise ValueError(f"replica.replicas[{place}].samples: hold no pulse of the plan")
        pulse = Pulse(samples=samples, sample_rate_hz=rate, band_hz=(low, high))
        replicas.append(Replica(pulse=pulse, lead_s=each.lead_s))
    rest = {
        f.name: getattr(written, f.name)
        for f in dataclasses.fields(written)
        if f.name != "replicas"
    }
    return StoredReplica(replicas=tuple(replicas), **rest)
