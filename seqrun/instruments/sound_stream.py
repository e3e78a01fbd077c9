"""A computer's sound interface at the edge: frames of samples out and in, −1 to 1 of full scale.

All that knows of an audio library is here. What plays is a loop of frames that goes round until it
is changed; what is recorded is handed out once it is there.
"""

from __future__ import annotations

import math
import threading
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import InstrumentError, InstrumentSilent, NotMeasured, UsageError
from seqrun.files.bench.parts import SOUND

Frames = NDArray[np.float64]
INSTALL = "pip install 'seqrun[sound]', and the PortAudio library of the system"
STILL_S = 5.0  # an interface that does nothing for so long does nothing any more


def is_sound(resource: str) -> bool:
    """Whether a resource is a sound interface."""
    return resource.lower().startswith(SOUND)


class Stream(Protocol):
    """The edge."""

    identity: str
    rate_hz: float
    inputs: int
    outputs: int

    def play(self, loop: Frames | None) -> None:
        """From now on these frames, shape (outputs, frames), round and round; None: silence. It
        returns when they have reached the outputs."""
        ...

    def record(self, points: int) -> Frames:
        """The next frames of all inputs, shape (inputs, points).

        Raises:
            InstrumentSilent: none came.
            NotMeasured: some were lost on the way.
        """
        ...

    def close(self) -> None:
        """Silence, and the interface given back. Never raises."""
        ...


class SoundCard:
    """A sound interface of this computer, by the ``sounddevice`` library.

    A record begins with what was played last: the frames that were still under way are left out.

    Args:
        name: part of its name, as the system lists it.

    Raises:
        UsageError: no library.
        InstrumentSilent: no such interface, or it is in use.
    """

    def __init__(self, name: str, rate_hz: float, inputs: int, outputs: int) -> None:
        self._where = f"{SOUND}{name}"
        sd = _library()
        self.rate_hz, self.inputs, self.outputs = rate_hz, inputs, outputs
        self._lock = threading.Lock()
        self._loop: Frames | None = None
        self._at = 0
        self._kept: list[Frames] = []
        self._wanted = 0
        self._lost = False
        self._there = threading.Event()
        self._turned = threading.Event()
        try:
            found = sd.query_devices(name)
            self.identity = f"{found['name']} (sound interface)"
            self._stream: Any = sd.Stream(
                samplerate=rate_hz, device=name, channels=(inputs, outputs), dtype="float32",
                callback=self._turn,
            )  # fmt: skip
            self._stream.start()
            #: frames on their way to the outputs, and from there to whoever asks
            self._under_way = math.ceil(sum(self._stream.latency) * rate_hz)
        except Exception as problem:  # the library raises what it likes
            raise InstrumentSilent(
                f"the sound interface cannot be opened: {problem}",
                expected="an interface of that name with these channels and this sample rate",
                where=self._where,
                hint="python -m sounddevice lists them; close what else uses it",
            ) from problem

    def play(self, loop: Frames | None) -> None:
        self._turned.clear()
        with self._lock:
            self._loop, self._at = loop, 0
        if not self._turned.wait(STILL_S):
            raise InstrumentSilent(
                "the sound interface stands still", expected="frames going out", where=self._where
            )

    def record(self, points: int) -> Frames:
        with self._lock:
            self._kept, self._wanted, self._lost = [], self._under_way + points, False
            self._there.clear()
        if not self._there.wait((self._under_way + points) / self.rate_hz + STILL_S):
            raise InstrumentSilent(
                "no samples come from the sound interface", expected="a record", where=self._where
            )
        with self._lock:
            lost, kept = self._lost, self._kept
        if lost:
            raise NotMeasured(
                "samples were lost between the sound interface and this computer",
                expected="a record without gaps", where=self._where,
                hint="close other programs, use another USB port, or a lower sample rate",
            )  # fmt: skip
        return np.concatenate(kept, axis=1)[:, self._under_way :][:, :points]

    def close(self) -> None:
        try:
            self._stream.stop()
            self._stream.close()
        except Exception:  # nothing is left to be done about it
            return

    def _turn(self, indata: Any, outdata: Any, frames: int, _time: Any, status: Any) -> None:
        """Called by the library for each block, on a thread of its own."""
        with self._lock:
            if self._loop is None:
                outdata.fill(0.0)
            else:
                places = (self._at + np.arange(frames)) % self._loop.shape[1]
                outdata[:] = self._loop[:, places].T
                self._at = (self._at + frames) % self._loop.shape[1]
            self._turned.set()
            if self._wanted > 0:
                self._lost |= bool(status)
                self._kept.append(np.array(indata, dtype=np.float64).T)
                self._wanted -= frames
                if self._wanted <= 0:
                    self._there.set()


def _library() -> Any:
    try:
        import sounddevice
    except (ImportError, OSError) as problem:
        raise UsageError(
            f"the library for sound interfaces cannot be loaded: {problem}",
            expected="sounddevice",
            hint=INSTALL,
        ) from problem
    return sounddevice


def quiet(stream: Stream) -> None:
    """Silence, for the safe state.

    Raises:
        InstrumentError: it may still play.
    """
    try:
        stream.play(None)
    except InstrumentError:
        stream.close()  # what is closed plays nothing
        raise


def open_card(resource: str, rate_hz: float, inputs: int, outputs: int) -> SoundCard:
    """The sound interface that a resource names.

    Raises:
        UsageError, InstrumentSilent: as :class:`SoundCard`.
    """
    return SoundCard(resource[len(SOUND) :], rate_hz, inputs, outputs)
