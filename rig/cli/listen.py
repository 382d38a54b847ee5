"""The command `listen`."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import TYPE_CHECKING, Any

from rig.cli import opening, options
from rig.errors import PlanError

if TYPE_CHECKING:
    from rig.measure.listening import HeardPing

CAUTION = "Start quiet: turn the loudspeaker or headphones down before you play this, then up."


def _listen(given: argparse.Namespace) -> int:
    from rig.measure.listening import (
        CLAPPED_HZ,
        CLAPPED_TIMES,
        clapping_pace,
        listen,
        listening_lines,
        repeated,
        write_wav,
    )
    from rig.show.answers import listen_answer

    out = given.out
    if out is None and not given.play:
        out = _default_out(given)
    if out is not None and os.path.exists(out):
        from rig.files.whole import already_there

        raise already_there(out, remedy="give --out another name, or move it away")
    heard = _heard(given)
    claps = given.slow is None
    compressed = given.compressed or claps
    found = listen(
        heard,
        clapping_pace(heard) if claps else given.slow,
        pitch_hz=CLAPPED_HZ if claps and given.pitch is None else given.pitch,
        compressed=compressed,
        even=given.even,
        peak_db=given.peak,
    )
    found = repeated(found, given.repeat or (CLAPPED_TIMES if claps else 1))
    if out is not None:
        write_wav(out, found)
    print(f"echobench: {CAUTION}", file=sys.stderr)
    if not given.json:
        for line in listening_lines(found, compressed=compressed):
            print(line)
        if out is not None:
            print(f"The sound is in {out}")
    if given.play:
        from rig.front_ends.sound_card.loudspeaker import play
        from rig.measure.listening import HEARD_RATE_HZ

        play(found.samples, HEARD_RATE_HZ, device=given.play_on)
    if given.json:
        print(json.dumps(listen_answer(found, out)))
    return 0


def _default_out(given: argparse.Namespace) -> str:
    name = "live" if given.recording is None else os.path.basename(given.recording)
    return f"{os.path.splitext(name)[0]}-slow.wav"


def _wav_name(text: str) -> str:
    """Read the name of a WAV file, before anything is pinged."""
    if not text.lower().endswith(".wav"):
        raise argparse.ArgumentTypeError(f"found {text!r}; give a name that ends in .wav")
    return text


def _heard(given: argparse.Namespace) -> HeardPing:
    """Take the ping out of the recording, or send it."""
    from rig.measure.listening import MOST_PINGS, ping_heard

    if (given.recording is None) == (given.front_end is None):
        found = "neither" if given.recording is None else "both"
        raise PlanError(f"listen: found {found} of RECORDING and --front-end; give one of them")
    if given.recording is not None:
        with opening.replay_of(given) as bench:
            blocks = bench.front_end.blocks(bench.recorded_pings or 0)
            return ping_heard(bench.receiver, blocks, ping=given.ping)
    if given.plan is None:
        raise PlanError("listen: found --front-end without a plan; give it with --plan FILE")
    from rig.bench.plan import read_plan

    plan = read_plan(given.plan)
    calibration = opening.calibration_for(given, plan)
    with opening.bench_of(given, plan, calibration=calibration) as bench:
        pings = MOST_PINGS if given.ping is None else given.ping + 1
        return ping_heard(bench.receiver, bench.front_end.blocks(pings), ping=given.ping)


def add_to(commands: Any) -> None:
    """Add this module's command."""
    listen = options.command(
        commands, "listen", _listen, "slow one ping down so that ears hear the echo come after it"
    )
    listen.add_argument(
        "recording",
        metavar="RECORDING",
        nargs="?",
        help=".sigmf-meta, WAV or FLAC file; or name a --front-end, which sends a ping now",
    )
    options.add_front_end(listen, needs_plan=False)
    listen.set_defaults(front_end=None)
    options.add_calibration(listen)
    listen.add_argument(
        "--slow",
        metavar="F",
        type=options.number_in(low=1.0, high=1e6),
        help="how many times as slow, whole or not: times grow by F, and pitch falls by F "
        "(default: so slow that hands can clap ping and echo, compressed, four times over)",
    )
    listen.add_argument(
        "--repeat",
        metavar="N",
        type=options.count,
        help="how often the ping is heard (default: 1; 4 where --slow is left out)",
    )
    listen.add_argument(
        "--ping",
        metavar="N",
        type=options.seed,
        help="which ping, from 0 (default: the first good)",
    )
    listen.add_argument(
        "--pitch",
        metavar="HZ",
        type=options.number_in(low=20.0, high=20e3),
        help="where the middle of the pulse is heard (default: its own frequency over F)",
    )
    listen.add_argument(
        "--compressed",
        action="store_true",
        help="hear the compressed echoes of the strength strip: short, so that they stand apart",
    )
    listen.add_argument(
        "--even",
        action="store_true",
        help="bring loud and soft closer: differences in level are halved, in dB",
    )
    listen.add_argument(
        "--peak",
        metavar="DB",
        type=options.number_in(low=-100.0, high=-3.0),
        default=-20.0,
        help="the loudest sample, dB re full scale (default: -20)",
    )
    listen.add_argument(
        "--out",
        metavar="FILE",
        type=_wav_name,
        help="the WAV file (default: NAME-slow.wav in the folder at work; none with --play)",
    )
    listen.add_argument("--play", action="store_true", help=f"play it. {CAUTION}")
    listen.add_argument(
        "--play-on",
        metavar="NAME|NUMBER",
        help="the sound device to play on (see `echobench devices`)",
    )
