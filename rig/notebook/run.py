"""A run as Python and a notebook have it: its numbers, its pictures, its report."""

from __future__ import annotations

import dataclasses
import math
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.errors import CalibrationError
from rig.measure.beam.measurement import beam_of
from rig.measure.beam.moved import SteadyPass, Stops
from rig.measure.passes.following import passings_of
from rig.measure.passes.passing import Passing
from rig.measure.strength import TargetStrength, strengths_told
from rig.notebook.beam import Beam
from rig.notebook.figures import figure_of
from rig.notebook.tables import Echoes, History, history_of
from rig.run import run as plain
from rig.show.wording import counted, metres_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_NAMED = 3  # echoes in a run's one line


class Run(plain.Run):
    """All pings of one source, gone over once; a notebook shows its picture and its echoes.

    Made by :func:`rig.read` or by :meth:`rig.Bench.ping`. Whatever is asked of it is worked out
    when it is first asked for, and kept.
    """

    @property
    def echoes(self) -> Echoes:
        """The echoes of all good pings added up, nearest first."""
        return self.once(_echoes)

    @property
    def passings(self) -> tuple[Passing, ...]:
        """What went by, followed from ping to ping, in the order of first hits."""
        return passings_of(self)

    @property
    def history(self) -> History:
        """What came back from each range, ping after ping."""
        return self.once(history_of)

    def strengths(
        self,
        *,
        source_level_db: float | None = None,
        u_source_level_db: float = 1.0,
        angle_rad: float | None = None,
        u_angle_rad: float = 0.0,
        height_rad: float | None = None,
        body: str = "ball",
    ) -> tuple[TargetStrength, ...]:
        """Say how strong the targets of all echoes are.

        Parameters
        ----------
        source_level_db, u_source_level_db : float, optional
            What the receiver would show of the pulse itself, on the axis at 1 m, dB re full
            scale, and its standard uncertainty; the calibration's, where none is given.
        angle_rad, u_angle_rad : float, optional
            Of the target from the axis, where it is known.
        height_rad, body : optional
            As for :func:`rig.measure.strength.target_strengths`; for two receivers.

        Raises
        ------
        CalibrationError
            Where no source level is given, and the calibration has none.
        PlanError
            Where the angle is so near to a null of the beam that its loss is not known.
        """
        told = strengths_told(
            self,
            source_level_db=source_level_db,
            u_source_level_db=u_source_level_db,
            angle_rad=angle_rad,
            u_angle_rad=u_angle_rad,
            height_rad=height_rad,
            body=body,
        )
        if told is None:
            raise CalibrationError(
                "source_level_db: found none, and no calibration that has one; give it, or "
                "calibrate the bench against a target of known strength"
            )
        return told[0]

    def beam(
        self,
        moved: SteadyPass | Stops,
        *,
        beside: bool = True,
        from_m: float = 0.0,
        to_m: float = math.inf,
    ) -> Beam:
        """Measure the beam by a target that was moved across it.

        Parameters
        ----------
        moved : SteadyPass or Stops
        beside : bool
            Whether source and receiver stand along the target's way, rather than one way
            square to it.
        from_m, to_m : float
            The target's echo is the strongest between these ranges.

        Raises
        ------
        RecordingError
            Where the pings do not show a beam; the message says what is missing.
        """
        measured = beam_of(self, moved, beside=beside, from_m=from_m, to_m=to_m)
        return Beam(**{f.name: getattr(measured, f.name) for f in dataclasses.fields(measured)})

    def answer(self) -> dict[str, Any]:
        """Return what ``echobench measure --json`` answers: numbers, words and lists alone."""
        from rig.show.answers import measure_answer

        return measure_answer(self)

    def figure(self, *, note: str = "") -> Figure:
        """Draw bench sketch, strength strip and history, as a Matplotlib figure.

        Parameters
        ----------
        note : str
            A line for the foot.
        """
        from rig.show.pictures.bench_picture import draw_picture

        return figure_of(lambda figure: draw_picture(figure, self, note=note))

    def report(
        self,
        path: str | os.PathLike[str],
        *,
        beam: Beam | None = None,
        source_level_db: float | None = None,
        u_source_level_db: float = 1.0,
    ) -> tuple[Path, ...]:
        """Write a report: one HTML page to print, and its numbers as CSV files beside it.

        Parameters
        ----------
        path : path
            Of the page, which ends in .html, or a folder that is there. What is there of the
            same name is replaced.
        beam : Beam, optional
            To be reported too.
        source_level_db, u_source_level_db : float, optional
            As for :meth:`strengths`; where none is known, no strengths are reported.

        Returns
        -------
        tuple of Path
            The page, then the CSV files.

        Raises
        ------
        StorageError
            Where they cannot be written.
        """
        from rig.show.report.contents import Contents
        from rig.show.report.files import report_path, write_report

        told = strengths_told(
            self, source_level_db=source_level_db, u_source_level_db=u_source_level_db
        )
        strengths, strengths_from = told or ((), "")
        contents = Contents(
            run=self,
            made=datetime.now(UTC),
            beam=beam,
            strengths=strengths,
            strengths_from=strengths_from,
        )
        return write_report(report_path(self.origin.name or "run", path), contents)

    def __repr__(self) -> str:
        pings = f"{counted(len(self.results), 'ping')}, {self.lost_pings} lost"
        return f"<Run of {pings}; {self._echoes_text()}>"

    def _echoes_text(self) -> str:
        if not self.echoes:
            return "no echo above the threshold"
        near = self.echoes[:_NAMED]
        named = ", ".join(f"{metres_text(e.range_m, e.u_range_m)} m" for e in near)
        more = f" and {len(self.echoes) - _NAMED} more" if len(self.echoes) > _NAMED else ""
        return f"echoes at {named}{more}"

    def _repr_html_(self) -> str:
        from rig.show.markup import figure
        from rig.show.pictures.bench_picture import draw_picture
        from rig.show.pictures.saving import drawn_bytes

        seen_from = "the side" if self.plan.geometry.second is None else "above"
        caption = f"{counted(len(self.results), 'ping')}, {self.lost_pings} lost"
        if self.info.invented:
            caption += "; in the virtual tank: an invented scene, no sound was made"
        drawn = figure(
            drawn_bytes("png", lambda page: draw_picture(page, self)),
            kind="image/png",
            alt=f"The bench from {seen_from} with its cone, the strength of the last ping over "
            "range, and the history of earlier pings. All pings added up show "
            f"{self._echoes_text()}.",
            caption=f"{caption}.",
        )
        return drawn + self.echoes._repr_html_()


def _echoes(run: plain.Run) -> Echoes:
    return Echoes(run.measurement.echoes)
