"""What can go wrong, as one tree.

::

    EchobenchError
    ├── PlanError       (ValueError)  a plan that cannot be used
    ├── SceneError      (ValueError)  a virtual tank's scene that cannot be used
    ├── RecordingError  (ValueError)  a file that cannot be read as a recording
    ├── CalibrationError (ValueError) a calibration that is missing, stale or foreign
    ├── LessonError     (ValueError)  a lesson or an exercise that cannot be used
    ├── NotHeardError   (ValueError)  the echo that an answer needs was not heard
    ├── StorageError    (OSError)     a file that cannot be written
    └── DeviceError     (OSError)     a front end that cannot be opened or has gone

Each message is one line: the thing, what was found, what would do. Nothing
here prints; the command turns the first five into exit status 2 and the
others into 1.
"""

_LONGEST_LINE = 1000


def one_line(words: str) -> str:
    """Return words in one line of visible characters, whatever a name or a file put into them.

    What does not print, a line's end or what would steer a terminal, stands as its code; what
    is longer than a screen is left out of the middle, so that thing and remedy stay.
    """
    if len(words) > _LONGEST_LINE:
        words = f"{words[: _LONGEST_LINE // 2]} ... {words[-_LONGEST_LINE // 2 :]}"
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode()
        for letter in words
    )


class EchobenchError(Exception):
    """The root of every error that the bench raises on purpose."""

    def __str__(self) -> str:
        """Return the message, in one line."""
        return one_line(super().__str__())


class PlanError(EchobenchError, ValueError):
    """A plan has an unknown key, a wrong type, or a value that cannot work."""


class SceneError(EchobenchError, ValueError):
    """A virtual tank's scene has an unknown key, a wrong type or value."""


class RecordingError(EchobenchError, ValueError):
    """A file was given as a recording but cannot be read as one."""


class CalibrationError(EchobenchError, ValueError):
    """A calibration cannot be read, is too old, or was made under other conditions."""


class LessonError(EchobenchError, ValueError):
    """A lesson or an exercise was asked for that is not there or cannot be used."""


class NotHeardError(EchobenchError, ValueError):
    """The echo that an answer needs was not among those that were heard."""


class StorageError(EchobenchError, OSError):
    """A recording, picture or report cannot be written where asked."""


class DeviceError(EchobenchError, OSError):
    """A front end cannot be opened, or its device went away."""
