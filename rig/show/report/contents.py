"""All that a report is made of, gathered before a word of it is written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rig.measure.beam.measurement import BeamMeasurement
from rig.measure.strength import TargetStrength
from rig.run.run import Run


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contents:
    """What is reported of one run.

    Attributes
    ----------
    run : Run
        Of a whole recording, or of pings that were sent just now.
    made : datetime
        When the report is made, with its time zone.
    beam : BeamMeasurement or None
    strengths : tuple of TargetStrength
        Empty where nobody gave a source level.
    strengths_from : str
        Where the source level comes from, in words.
    looks : {"along", "down"} or None
        How the picture's ranges run; None as the plan says.
    """

    run: Run
    made: datetime
    beam: BeamMeasurement | None = None
    strengths: tuple[TargetStrength, ...] = ()
    strengths_from: str = ""
    looks: str | None = None

    @property
    def name(self) -> str:
        """What is reported of: the recording's file name, where it is of one."""
        return self.run.origin.name or "pings sent now"

    @property
    def invented(self) -> bool:
        """Whether the pings come from a scene that someone made up."""
        return self.run.info.invented
