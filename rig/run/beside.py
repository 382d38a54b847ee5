"""A process of its own that searches pings' profiles while this one goes on with the next.

Half of a replay's time goes into the search, which asks no ping for another's result. Of so few
pings that it would save no second, none is started; and only where a process can be forked, which
takes no time to load: what it is to use is there already. A few of the pings are searched here, so
many that neither process waits for the other.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import warnings
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from dsp.ping.pulse.profiles import EchoProfile
from dsp.ping.search.search import Found
from rig.bench.rows import in_rows
from rig.run.hits import RATES, Searched, found_in, heard_of
from rig.run.receiver import Receiver
from rig.run.results import Heard

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

FEWEST_PINGS = 2000

_MORE = 4
"""By so many pings more or fewer are searched here, as the last ones were waited for or not."""


def worth_it(receiver: Receiver, pings: int) -> bool:
    """Say whether a process beside this one is of use for so many pings that are at hand."""
    if pings < FEWEST_PINGS or sys.platform != "linux" or receiver.pair is not None:
        return False  # what a second receiver heard is not sent
    import multiprocessing

    return (
        len(os.sched_getaffinity(0)) > 1
        and threading.active_count() == 1  # a lock that another thread held would stay held
        and not multiprocessing.current_process().daemon  # which may have none beside itself
    )


class SearchBeside:
    """Searches some pings at a time, each as :func:`rig.run.hits.heard_in` does.

    Parameters
    ----------
    receiver : Receiver
        Of one microphone.
    """

    def __init__(self, receiver: Receiver) -> None:
        import multiprocessing

        self._receiver = receiver
        self._asked: Searched = ()
        self._there = 0
        self._pings_here = 0
        forked = multiprocessing.get_context("fork")
        self._ours, theirs = forked.Pipe()
        self._process = forked.Process(
            target=_search, args=(receiver, theirs, self._ours), daemon=True
        )
        # Where there is no room for another, all are searched in this one. The threads that
        # Python 3.12 warns of are the FFT's, which are ended before a fork and begun after it.
        with contextlib.suppress(OSError), warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            self._process.start()
        theirs.close()

    def ask(self, pings: Searched) -> None:
        """Have some pings' profiles searched; what was asked before must have been taken."""
        self._asked, self._there = pings, max(len(pings) - self._pings_here, 1)
        columns = zip(
            *(
                (
                    zero,
                    p.pulse_index,
                    self._receiver.is_filtered(p),
                    p.envelope[: self._receiver.search.bins_searched(p)],
                    p.ahead,
                )
                for _, p, zero in pings[: self._there]
            ),
            strict=True,
        )
        with contextlib.suppress(OSError):
            self._ours.send([in_rows(column) for column in columns])

    def heard(self) -> list[Heard]:
        """Return what was heard in the pings that were asked about; wait for it."""
        placed = [(profile, zero) for _, profile, zero in self._asked]
        here = found_in(self._receiver, placed[self._there :])
        try:
            waits = not self._ours.poll()
            columns = self._ours.recv()
        except (EOFError, OSError):  # it was ended from outside
            there = found_in(self._receiver, placed[: self._there])
        else:
            self._pings_here = max(self._pings_here + (_MORE if waits else -_MORE), 0)
            there = [
                Found(
                    peaks=peaks,
                    passes=passes.reshape(RATES, -1),
                    threshold=partial(np.asarray, threshold),
                    before=before,
                )
                for peaks, passes, threshold, before in zip(
                    *(column.values() for column in columns), strict=True
                )
            ]
        return heard_of(self._receiver, self._asked, there + here)

    def close(self) -> None:
        """End the process. It keeps nothing; and the next one has its end of the pipe as well."""
        self._ours.close()
        if self._process.pid is not None:
            self._process.kill()
            self._process.join()


def _search(receiver: Receiver, theirs: Connection, ours: Connection) -> None:
    """Search what comes in until nothing more can; what goes wrong is found out by who asked."""
    ours.close()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(Exception):
        while True:
            placed = [
                (
                    EchoProfile(
                        envelope=envelope,
                        bin_s=receiver.shapes[pulse].bin_s,
                        shape=receiver.shape_of(pulse, filtered=filtered),
                        pulse_index=pulse,
                        ahead=ahead,
                    ),
                    zero,
                )
                for zero, pulse, filtered, envelope, ahead in zip(
                    *(column.values() for column in theirs.recv()), strict=True
                )
            ]
            each = found_in(receiver, placed)
            columns = zip(
                *(
                    (found.peaks, found.passes.reshape(-1), found.threshold(), found.before)
                    for found in each
                ),
                strict=True,
            )
            theirs.send([in_rows(column) for column in columns])
