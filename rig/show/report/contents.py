"""All that a report is made of, gathered before a word of it is written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rig.bench.stored_calibration import Calibration
from rig.measure.beam import BeamMeasurement
from rig.measure.passes import Passing
from rig.measure.strength import TargetStrength
from rig.run.loop import Measurement, PingResult
from rig.run.receiver import Receiver


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matter:
    """What is reported of one recording.

    Attributes
    ----------
    source : str
        The recording's file name.
    made : datetime
        When the report is made, with its time zone.
    began : datetime or None
        When the first ping was recorded; None where the file does not say.
    lost_at_end : str
        What was cut off at the recording's end, in words; empty if nothing was.
    receiver : Receiver
        That all results came from.
    results : tuple of PingResult
        Each ping, searched for echoes of its own.
    measurement : Measurement
        All pings added up.
    passings : tuple of Passing
    calibration : Calibration or None
        That the receiver used.
    calibration_source : str
        Its file name.
    beam : BeamMeasurement or None
    strengths : tuple of TargetStrength
        Empty where nobody gave a source level.
    strengths_from : str
        Where the source level comes from, in words.
    """

    source: str
    made: datetime
    began: datetime | None
    lost_at_end: str
    receiver: Receiver
    results: tuple[PingResult, ...]
    measurement: Measurement
    passings: tuple[Passing, ...]
    calibration: Calibration | None = None
    calibration_source: str = ""
    beam: BeamMeasurement | None = None
    strengths: tuple[TargetStrength, ...] = ()
    strengths_from: str = ""

    @property
    def invented(self) -> bool:
        """Whether the pings come from a scene that someone made up."""
        return self.receiver.info.invented
