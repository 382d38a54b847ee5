"""The file that holds a calibration: JSON, written by ``echobench calibrate``."""

from __future__ import annotations

import dataclasses
import json
import math
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from dsp.ping.equalising import Replica
from dsp.ping.pulses import Pulse
from rig.bench.plan import Plan, plan_from_table
from rig.bench.stored_calibration import (
    Calibration,
    StoredFinding,
    StoredLevel,
    StoredReplica,
    StoredSpeed,
    StoredTimeZero,
)
from rig.errors import CalibrationError, PlanError
from rig.files.whole import write_whole

CALIBRATION_NAME = "echobench-calibration.json"
"""The file that is looked for beside a plan or a recording where none is named."""

_FORMAT = 1


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
        "findings": [dataclasses.asdict(f) for f in c.findings],
        "notes": list(c.notes),
        "plan": c.plan.as_table(),
        "replica": None if c.replica is None else _replica_table(c.replica),
    }
    write_whole(
        path,
        json.dumps(table, indent=1, allow_nan=False) + "\n",
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
    name = os.fspath(path)
    try:
        text = Path(path).read_text(encoding="utf-8")
    except FileNotFoundError as problem:
        raise CalibrationError(
            f"{name}: no such calibration; make one with `echobench calibrate --plan FILE`"
        ) from problem
    except (OSError, UnicodeDecodeError) as problem:
        raise CalibrationError(
            f"{name}: cannot be read ({problem}); give a file made by `echobench calibrate`"
        ) from problem
    try:
        table = json.loads(text)
        if table["echobench_calibration"] != _FORMAT:
            raise ValueError(f"echobench_calibration {table['echobench_calibration']!r}")
        return _calibration(table)
    except (ValueError, TypeError, KeyError, AttributeError, PlanError) as problem:
        raise CalibrationError(
            f"{name}: is no calibration of this bench ({problem!r}); "
            "make one with `echobench calibrate`"
        ) from problem


def _calibration(table: dict[str, Any]) -> Calibration:
    made = datetime.fromisoformat(table["made"])
    if made.tzinfo is None:
        raise ValueError("made: has no time zone")
    plan = plan_from_table(table["plan"], source="plan")
    time_zero, level, replica = table["time_zero"], table["level"], table["replica"]
    stored = Calibration(
        made=made,
        plan=plan,
        front_end=str(table["front_end"]),
        device=str(table["device"]),
        reported_latency_s=_number_or_none(table["reported_latency_s"]),
        pings=int(table["pings"]),
        time_zero=None if time_zero is None else StoredTimeZero(**time_zero),
        sound_speed=StoredSpeed(**table["sound_speed"]),
        replica=None if replica is None else _stored_replica(replica, plan),
        level=None if level is None else StoredLevel(**level),
        findings=tuple(StoredFinding(**f) for f in table["findings"]),
        notes=tuple(str(n) for n in table["notes"]),
    )
    speed = stored.sound_speed
    _require(0 < speed.sound_speed_m_s < math.inf, "sound_speed_m_s", speed.sound_speed_m_s)
    _require(0 <= speed.u_sound_speed_m_s < math.inf, "u_sound_speed_m_s", speed.u_sound_speed_m_s)
    if stored.time_zero is not None:
        zero = stored.time_zero
        _require(math.isfinite(zero.latency_s), "latency_s", zero.latency_s)
        _require(0 <= zero.u_latency_s < math.inf, "u_latency_s", zero.u_latency_s)
    return stored


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


def _stored_replica(table: dict[str, Any], plan: Plan) -> StoredReplica:
    rate = plan.timing.sample_rate_hz
    low, high = (float(edge) for edge in table["band_hz"])
    _require(0 < float(table["floor"]) < math.inf, "floor", table["floor"])
    _require(0 <= low < high <= rate / 2, "band_hz", table["band_hz"])
    replicas = tuple(
        Replica(
            pulse=Pulse(
                samples=np.array(each["samples"], dtype=np.float32),
                sample_rate_hz=rate,
                band_hz=(low, high),
            ),
            lead_s=float(each["lead_s"]),
        )
        for each in table["replicas"]
    )
    _require(len(replicas) == plan.pulses_per_cycle, "replicas", len(replicas))
    rest = {k: v for k, v in table.items() if k not in ("replicas", "band_hz")}
    return StoredReplica(replicas=replicas, band_hz=(low, high), **rest)


def _require(fits: bool, name: str, found: Any) -> None:
    if not fits:
        raise ValueError(f"{name}: found {found!r}")


def _number_or_none(found: Any) -> float | None:
    return None if found is None else float(found)
