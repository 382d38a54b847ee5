"""A measured beam, with its picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.measure.beam.measurement import BeamMeasurement
from rig.measure.beam.words import beam_lines
from rig.notebook.figures import figure_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Beam(BeamMeasurement):
    """A beam as it was measured; a notebook shows its picture."""

    def figure(self) -> Figure:
        """Draw the beam beside theory, as a Matplotlib figure."""
        from rig.show.pictures.beam_picture import BeamPicture

        return figure_of(lambda figure: BeamPicture(figure, self))

    def __str__(self) -> str:
        """Put the beam into words, with its uncertainties."""
        return "\n".join(beam_lines(self))

    def __repr__(self) -> str:
        from rig.show.pictures.beam_picture import title_text

        return f"<{title_text(self)}>"

    def _repr_png_(self) -> bytes:
        from rig.show.pictures.beam_picture import BeamPicture
        from rig.show.pictures.saving import drawn_bytes

        return drawn_bytes("png", lambda page: BeamPicture(page, self))
