"""Which misreading leads to which wrong answer, in the words of who holds it."""

from __future__ import annotations

from collections.abc import Mapping

_BY_TOPIC: Mapping[str, Mapping[str, str]] = {
    "pass-or-stay": {
        "it went by: a whole pass": "“any mark that bends is a whole arch”: look for both legs",
        "it stayed": "“a long mark is a thing that stays”: it is how the range changes that counts",
        "half a pass": "“a faint leg is a missing leg”: look whether the range rises at both ends, "
        "and whether it is over",
        "it cannot be told yet: it is still in the beam": "“half is there, so half is to come”: "
        "look whether the mark ends before the newest ping",
    },
    "nearer-or-farther": {
        "it comes nearer": "time read the wrong way round: the newest ping is next to the strip",
        "it goes away": "time read the wrong way round: the newest ping is next to the strip",
        "it keeps its range": "“a mark is where it is”: look whether it leans",
    },
    "how-fast": {
        "the earlier one": "“a longer mark is a slower thing”, without the wider beam farther out",
        "the later one": "“a longer mark is a slower thing”, without the wider beam farther out",
        "both about alike": "“as dark, as fast”: it is how long an arch lasts that tells",
    },
    "why-wider": {
        "it is only farther out: both went alike fast": "“the deep arch is the wide arch”, "
        "without asking whether by as much as its range",
        "it was slower than the other": "“a longer mark is a slower thing”, without the wider beam "
        "farther out",
        "it was faster than the other": "the ratio of width to range was taken upside down",
        "it is larger than the other": "“a wide arch is a large thing”: its width is time",
    },
    "hard-or-soft": {
        "hard": "“a dark bottom is a hard one”: only the second echo tells",
        "soft": "“no second echo, so it is soft”: it may lie beyond what is listened to",
        "it cannot be told": "the second echo was not looked for",
    },
    "now-or-past": {
        "both": "“the history is what is there now”: only its newest line is",
        "neither": "the strip was taken for the past",
    },
    "how-far": {},
    "how-many": {
        "two, at the least": "“a mark is a thing”: count the peaks that stand apart",
        "three, at the least": "“a side lobe is a thing”: count what stands apart and is as strong",
        "one or more: it cannot be told": "“one mark, so it cannot be told”: two peaks are two",
    },
    "small-or-large": {
        "the earlier one": "“a strong mark is a big thing”: it may be nearer the axis",
        "the later one": "“a strong mark is a big thing”: it may be nearer the axis",
        "it cannot be told": "“strength never tells”: a thing that is the stronger one from "
        "farther out is the larger",
    },
    "weak-streak": {
        "at none of them": "“what one ping does not show is not there”: look along the history",
    },
}


def misreadings_of(topic: str) -> Mapping[str, str]:
    """Return what misreading each wrong choice of a topic stands for; empty where none is known.

    Examples
    --------
    >>> misreadings_of("nearer-or-farther")["it goes away"]
    'time read the wrong way round: the newest ping is next to the strip'
    """
    return _BY_TOPIC.get(topic, {})
