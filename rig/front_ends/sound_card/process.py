"""The sound process: it alone loads the sound library, and it alone can be lost.

The sound library and the sound servers behind it may hang for ever or abort the
whole process when a server dies or a configuration is broken; no exception
handler helps against that. So they live in a child process that the bench can
end. It does nothing else, so no drawing or arithmetic of the bench holds up the
callback.

Started by :class:`rig.front_ends.sound_card.link.SoundLink` as
``python -m rig.front_ends.sound_card.process``; requests come in on standard input,
messages go out on standard output. It ends when its standard input does.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import sys
import threading
import time
from typing import IO, TYPE_CHECKING

import numpy as np

from rig.front_ends.sound_card.duplex import DuplexCallback, Sending
from rig.front_ends.sound_card.messages import (
    DeviceListing,
    Devices,
    Failed,
    Heard,
    Message,
    Opened,
    OpenStream,
    PingsStart,
    Played,
    PlaySound,
    SendPings,
    Started,
)
from rig.front_ends.sound_card.ring import SampleRing

if TYPE_CHECKING:
    import types

RING_S = 4.0
"""The longest that the reader may be kept from the ring before samples are lost."""

HAND_ON_S = 0.02
"""How often the ring is emptied."""

ENDING_LIMIT_S = 0.7
"""How long the sound library may take to let a stream go."""

STARTS, FIRST_MOMENTS_S = 3, 0.2
"""How often a stream is started that ends in its first moments, before anything was
sent. On a busy machine PortAudio gives up on PulseAudio behind ALSA at some starts, 2 of
14 under three busy loops, when it asks for a latency and the server cannot tell it."""

STREAM_ENDED = (
    "the sound stream ended: the device or its server has gone; "
    "check that it is plugged in and that the server runs, then start again"
)


class _Bench:
    """The other end of the pipes."""

    def __init__(self, requests: IO[bytes], messages: IO[bytes]) -> None:
        self._requests = requests
        self._messages = messages

    def tell(self, message: Message) -> None:
        try:
            pickle.dump(message, self._messages, protocol=pickle.HIGHEST_PROTOCOL)
            self._messages.flush()
        except OSError:
            os._exit(1)  # the bench has gone, and there is nobody to tell

    def next_request(self) -> object:
        """Return the next request, or None once the bench has let go."""
        try:
            return pickle.load(self._requests)
        except (EOFError, OSError):
            return None


def main() -> None:
    """Tell the devices; then play a sound or run a stream until let go, if asked to."""
    # The bench decides when this process ends, also on Ctrl-C.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bench = _Bench(sys.stdin.buffer, _private_output())
    bench.tell(Started())
    try:
        # Here the library looks for its devices, and may hang or abort.
        import sounddevice
    except (ImportError, OSError) as problem:
        bench.tell(
            Failed(
                f"the PortAudio library cannot be loaded ({problem}); install it: "
                "apt install libportaudio2 on Debian, pip install sounddevice elsewhere"
            )
        )
        return
    bench.tell(Devices(_listings(sounddevice)))
    # What is asked for goes by the numbers just told.
    request = bench.next_request()
    if isinstance(request, OpenStream | PlaySound):
        try:
            if isinstance(request, PlaySound):
                _play(sounddevice, request)
                bench.tell(Played())
            else:
                _run_stream(sounddevice, request, bench)
        except (sounddevice.PortAudioError, ValueError) as problem:
            bench.tell(Failed(f"the sound device cannot be used ({_one_line(problem)})"))
    _end_soon()


def _private_output() -> IO[bytes]:
    """Keep standard output for messages; what libraries print there goes to errors."""
    private = os.dup(1)
    os.dup2(2, 1)
    return os.fdopen(private, "wb")


def _listings(sounddevice: types.ModuleType) -> tuple[DeviceListing, ...]:
    host_apis = sounddevice.query_hostapis()
    default_input, default_output = sounddevice.default.device
    return tuple(
        DeviceListing(
            number=device["index"],
            name=device["name"],
            host_api=host_apis[device["hostapi"]]["name"],
            inputs=device["max_input_channels"],
            outputs=device["max_output_channels"],
            default_rate_hz=float(device["default_samplerate"]),
            is_default_input=device["index"] == default_input,
            is_default_output=device["index"] == default_output,
        )
        for device in sounddevice.query_devices()
    )


def _play(sounddevice: types.ModuleType, request: PlaySound) -> None:
    """Play a sound to its end; a bench that lets go before ends this process instead."""
    samples = np.repeat(request.samples[:, np.newaxis], request.outputs, axis=1)
    stream = sounddevice.OutputStream(
        samplerate=request.sample_rate_hz,
        device=request.output_number,
        channels=request.outputs,
        dtype="float32",
        latency="high",
    )
    with stream:
        stream.write(np.ascontiguousarray(samples))
        stream.stop()  # once all that was written has been played


def _run_stream(sounddevice: types.ModuleType, request: OpenStream, bench: _Bench) -> None:
    # A collection of garbage would hold the callback up, and nothing here makes
    # any that refers to itself.
    gc.disable()
    for _ in range(STARTS):
        ring = SampleRing(int(RING_S * request.sample_rate_hz), request.inputs)
        callback = DuplexCallback(
            request.pulses,
            interval_samples=request.interval_samples,
            sounding=request.sounding,
            ring=ring,
        )
        over = threading.Event()
        stream = sounddevice.Stream(
            samplerate=request.sample_rate_hz,
            blocksize=request.buffer_frames,
            device=(request.input_number, request.output_number),
            channels=(request.inputs, request.outputs),
            dtype="float32",
            latency=request.latency_s,
            callback=callback,
            finished_callback=over.set,
        )
        stream.start()
        if not over.wait(FIRST_MOMENTS_S) and stream.active:
            break
        stream.close()
    else:
        bench.tell(Failed(STREAM_ENDED))
        return
    bench.tell(
        Opened(
            sample_rate_hz=float(stream.samplerate),
            input_latency_s=float(stream.latency[0]),
            output_latency_s=float(stream.latency[1]),
        )
    )
    told = callback.sending
    let_go = threading.Event()
    threading.Thread(
        target=_take_requests, args=(bench, callback, let_go, over), daemon=True
    ).start()
    while not let_go.is_set():
        # A JACK server that dies stops the stream without calling back.
        ended = over.wait(HAND_ON_S) or not stream.active
        position, samples, flag_bits = ring.read()
        if len(samples):
            bench.tell(Heard(position=position, samples=samples, flag_bits=flag_bits))
        row = callback.sending
        if row is not told and row.start >= 0:
            bench.tell(PingsStart(row=row.row, position=row.start))
            told = row
        if ended and not let_go.is_set():
            bench.tell(Failed(STREAM_ENDED))
            break
    _end_soon()
    # Dropped, not drained: what is still to be played is silence or unwanted.
    stream.abort()
    stream.close()


def _take_requests(
    bench: _Bench,
    callback: DuplexCallback,
    let_go: threading.Event,
    over: threading.Event,
) -> None:
    while isinstance(request := bench.next_request(), SendPings):
        callback.send(
            Sending(row=request.row, pings=request.pings, wait_samples=request.wait_samples)
        )
    let_go.set()
    over.set()
    _end_soon()


def _end_soon() -> None:
    """End within :data:`ENDING_LIMIT_S`, however the sound library behaves.

    Until then it may close its streams and take leave of the server: a server
    that waits for each of its clients stalls when one goes without a word.
    """

    def end() -> None:
        time.sleep(ENDING_LIMIT_S)
        os._exit(1)

    threading.Thread(target=end, daemon=True).start()


def _one_line(problem: BaseException) -> str:
    return " ".join(str(problem).split())


if __name__ == "__main__":
    main()
