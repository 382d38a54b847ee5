"""Units as people write them behind a number, and what one of them is in another."""

from __future__ import annotations

import re

_LENGTHS = {"µm": 1e-6, "mm": 1e-3, "cm": 1e-2, "dm": 1e-1, "m": 1.0, "km": 1e3}
_TIMES = {"µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0}
_FREQUENCIES = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6}

_KINDS = (_LENGTHS, _TIMES, _FREQUENCIES, {"dB": 1.0}, {"%": 1.0}, {"°C": 1.0}, {"times": 1.0})

_WRITTEN = {
    "um": "µm", "us": "µs", "μm": "µm", "μs": "µs",
    "millimetre": "mm", "millimeter": "mm",
    "centimetre": "cm", "centimeter": "cm",
    "metre": "m", "meter": "m",
    "kilometre": "km", "kilometer": "km",
    "millisecond": "ms", "msec": "ms",
    "second": "s", "sec": "s",
    "minute": "min",
    "hertz": "Hz", "hz": "Hz", "khz": "kHz", "kilohertz": "kHz",
    "db": "dB", "decibel": "dB",
    "percent": "%", "per cent": "%",
    "°c": "°C", "c": "°C", "degree": "°C", "°": "°C",
    "x": "times", "×": "times", "time": "times",
}  # fmt: skip
"""As they are also written; the plural of a whole word is taken as well."""

_NUMBER_THEN_WORDS = re.compile(
    r"(?P<number>[-+\N{MINUS SIGN}]?[0-9.,]+(?:[eE][-+]?[0-9]+)?)\s*"
    r"(?P<unit>(?![eE][-+]?[0-9])[^\W\d_].*|[°%×].*)"
)


def split_unit(text: str) -> tuple[str, str]:
    """Part a number from the words behind it; neither is read yet.

    Examples
    --------
    >>> split_unit("62 cm"), split_unit("1e3ms"), split_unit("0,62")
    (('62', 'cm'), ('1e3', 'ms'), ('0,62', ''))
    """
    found = _NUMBER_THEN_WORDS.fullmatch(text.strip())
    return (found["number"], found["unit"].strip()) if found else (text.strip(), "")


def times_to(unit: str, written: str) -> float | None:
    """Return what a number in one unit is multiplied by to stand in another.

    Parameters
    ----------
    unit : str
        The unit that is wanted.
    written : str
        The unit as it was written; empty for the wanted one.

    Returns
    -------
    float or None
        None where the one cannot be told in the other.

    Examples
    --------
    >>> times_to("m", "centimetres"), times_to("hits", "hits"), times_to("ms", "m")
    (0.01, 1.0, None)
    """
    if written.casefold() in ("", unit.casefold()) and written not in _kind_of(unit):
        return 1.0
    named = _named(written)
    kind = _kind_of(unit)
    if named not in kind:
        return None
    return kind[named] / kind[unit]


def _kind_of(unit: str) -> dict[str, float]:
    return next((kind for kind in _KINDS if unit in kind), {})


def _named(written: str) -> str:
    """Return a unit's sign; a capital letter tells mega from milli and is kept where it does."""
    if any(written in kind for kind in _KINDS):
        return written
    word = written.casefold().rstrip(".")
    if word in _WRITTEN:
        return _WRITTEN[word]
    if word.removesuffix("s") in _WRITTEN and len(word) > 4:
        return _WRITTEN[word.removesuffix("s")]
    return word
