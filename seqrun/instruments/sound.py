"""A sound interface as generator and scope, for what is AC and within its band.

Its outputs play loops of whole cycles; its inputs have one fixed range each, no DC and no trigger.
Volts at full scale come from ``[sound]`` of the bench file, where it was levelled against a meter,
else from its driver file, which knows them badly.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from uncertainties import UFloat

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.files.driver.file import Driver
from seqrun.files.sound import Sound
from seqrun.instruments.accuracy import Accuracy, LevelOverFrequency
from seqrun.instruments.link import MessageLog
from seqrun.instruments.roles import Capture
from seqrun.instruments.sound_stream import Frames, Stream, quiet
from seqrun.values import rectangular

#: a sample at this share of full scale or beyond counts as clipped: converters limit before it
CLIPPED = 0.999
#: samples of the slower rate that the filter of a slower record spoils at either end
ENDS = 20
LONGEST_LOOP_S = 4.0
#: slowest tone that passes its coupling capacitors little changed, Hz
SLOWEST_HZ = 5.0


class SoundRole:
    """What both roles share."""

    by_hand = False

    def __init__(
        self, name: str, driver: Driver, stream: Stream, sound: Sound | None = None
    ) -> None:
        self.name = name
        self.driver = driver
        self.stream = stream
        self._sound = sound
        self._accuracy = Accuracy(name, driver)

    @property
    def identity(self) -> str:
        """What the interface is called; it has no serial number to tell."""
        return self.stream.identity

    def make_safe(self) -> None:
        """Silence."""
        quiet(self.stream)

    def listen(self, log: MessageLog) -> None:
        """No messages are exchanged."""

    def close(self) -> None:
        """The stream is closed by whoever opened it."""


class SoundGenerator(SoundRole):
    """Plays the role :class:`~seqrun.instruments.roles.Generator`: sines and two tones."""

    def __init__(
        self, name: str, driver: Driver, stream: Stream, sound: Sound | None = None
    ) -> None:
        super().__init__(name, driver, stream, sound)
        assert driver.generator is not None, "the driver file was checked"
        most = driver.generator.most_level or 1.0
        told = sound.output_full_scale if sound is not None else ()
        self._full = {
            n: told[n - 1] if n <= len(told) else math.sqrt(2.0) * most
            for n in range(1, self.outputs + 1)
        }
        self._tones: dict[int, tuple[tuple[float, float], ...]] = {}  # Hz, V peak
        self._on = dict.fromkeys(self._full, False)
        self._flatness = LevelOverFrequency(self._accuracy, name, driver)

    @property
    def outputs(self) -> int:
        return self.driver.outputs

    def full_scale(self, output: int) -> float:
        """V peak of an output at full scale, as far as it is known."""
        return self._full[self._known(output)]

    def sine(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        """Set a sine."""
        self._set(output, ((frequency_hz, math.sqrt(2.0) * volts_rms),))

    def two_tone(
        self, output: int, f1_hz: float, v1_rms: float, f2_hz: float, v2_rms: float
    ) -> None:
        """Two sines at once."""
        root = math.sqrt(2.0)
        self._set(output, ((f1_hz, root * v1_rms), (f2_hz, root * v2_rms)))

    def square(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        """It has none: its edges would be as slow as its band is narrow."""
        raise self._has_none("square wave")

    def burst(
        self, output: int, frequency_hz: float, volts_rms: float, cycles: int, period_s: float
    ) -> None:
        """It has none."""
        raise self._has_none("burst")

    def enable(self, output: int, on: bool) -> None:
        self._on[self._known(output)] = bool(on)
        self._play()

    def enabled(self, output: int | None = None) -> bool:
        """Whether it plays: what plays is what this computer sends."""
        return any(self._on.values()) if output is None else self._on[self._known(output)]

    def amplitude(self, output: int) -> UFloat:
        """The set level with its accuracy, V rms.

        Raises:
            InstrumentRefused: nothing was set.
        """
        tones = self._tones.get(self._known(output))
        if not tones:
            raise InstrumentRefused(
                f"no amplitude was set on output {output}", expected="sine() first", where=self.name
            )
        volts = math.hypot(*(peak for _, peak in tones)) / math.sqrt(2.0)
        row = self._accuracy.row("level", volts)
        level = self._accuracy.attach(volts, row, f"output {output}")
        return self._flatness.of(level, output, tones[0][0])

    def make_safe(self) -> None:
        """Silence, and what was set is forgotten."""
        self._on = dict.fromkeys(self._on, False)
        super().make_safe()

    def _set(self, output: int, tones: tuple[tuple[float, float], ...]) -> None:
        peak = sum(volts for _, volts in tones)
        full = self._full[self._known(output)]
        if peak > full:
            raise InstrumentRefused(
                f"{peak / math.sqrt(2.0):.3g} V rms is more than output {output} gives",
                expected=f"at most {full / math.sqrt(2.0):.3g} V rms", where=self.name,
            )  # fmt: skip
        highest = 0.45 * self.stream.rate_hz
        for frequency, volts in tones:
            if volts > 0.0 and not SLOWEST_HZ <= frequency <= highest:
                raise InstrumentRefused(
                    f"{frequency:g} Hz is outside its band",
                    expected=f"{SLOWEST_HZ:g} Hz to {highest:g} Hz", where=self.name,
                )  # fmt: skip
        self._tones[output] = tones
        if self._on[output]:
            self._play()

    def _play(self) -> None:
        """All outputs that are on, as one loop of whole cycles."""
        playing = {n: self._tones.get(n, ()) for n, on in self._on.items() if on}
        tones = [tone for of in playing.values() for tone in of if tone[1] > 0.0]
        if not tones:
            self.stream.play(None)
            return
        loop = np.zeros((self.outputs, loop_frames(tones[0][0], self.stream.rate_hz)))
        frames = loop.shape[1]
        turns = 2.0 * np.pi * np.arange(frames) / frames
        for n, of in playing.items():
            for frequency, volts in of:
                cycles = max(1, round(frequency * frames / self.stream.rate_hz))
                loop[n - 1] += volts / self._full[n] * np.sin(cycles * turns)
        self.stream.play(loop)

    def _known(self, output: int) -> int:
        if not 1 <= output <= self.outputs:
            raise InstrumentRefused(
                f"there is no output {output}", expected=f"1 to {self.outputs}", where=self.name
            )
        return output

    def _has_none(self, what: str) -> InstrumentRefused:
        return InstrumentRefused(
            f"a sound interface gives no {what}", expected="a function generator", where=self.name
        )


def loop_frames(frequency_hz: float, rate_hz: float) -> int:
    """The number of frames, half a second of them or more, that whole cycles of a tone fit best."""
    shortest = max(0.5, min(4.0 / frequency_hz, 0.5 * LONGEST_LOOP_S))
    frames = np.arange(int(shortest * rate_hz), int(2.0 * shortest * rate_hz))
    cycles = frequency_hz * frames / rate_hz
    return int(frames[np.argmin(np.abs(cycles - np.rint(cycles)) / frames)])


class SoundScope(SoundRole):
    """Plays the role :class:`~seqrun.instruments.roles.Scope` for what is AC.

    Args:
        probe: attenuation of the divider before each input, where the levels were not found.
    """

    def __init__(
        self,
        name: str,
        driver: Driver,
        stream: Stream,
        sound: Sound | None = None,
        probe: tuple[float, ...] = (),
        probe_ratio: float = 0.0,
    ) -> None:
        super().__init__(name, driver, stream, sound)
        assert driver.scope is not None, "the driver file was checked"
        self._settings = driver.scope
        told = sound.input_full_scale if sound is not None else ()
        at_input = 0.5 * max(driver.scope.ranges)
        self._full: dict[int, float] = {}
        self._gain: dict[int, UFloat] = {}
        for n in range(1, self.channels + 1):
            factor = probe[n - 1] if n <= len(probe) else 1.0
            levelled = n <= len(told)
            self._full[n] = told[n - 1] if levelled else at_input * factor
            row = self._accuracy.row("voltage", 2.0 * self._full[n])
            gain, _ = self._accuracy.variables(row, 2.0 * self._full[n], f"channel {n}")
            self._gain[n] = 1.0 + gain
            if not levelled and factor > 1.0 and probe_ratio > 0.0:
                label = f"probe {name}.{n}"
                self._gain[n] *= rectangular(1.0, probe_ratio, f"{label} ratio", label)

    @property
    def channels(self) -> int:
        return self._settings.channels

    @property
    def bits(self) -> int:
        return self._settings.bits

    @property
    def max_points(self) -> int:
        return self._settings.max_points

    def full_scale(self, channel: int) -> float:
        """V peak at the tip that an input's full scale is, as far as it is known."""
        return self._full[channel]

    def sample_rate_near(self, wanted_hz: float) -> float:
        """Its own rate, or that over a whole number."""
        return self.stream.rate_hz / self._slower(wanted_hz)

    def acquire(
        self,
        peak_v: dict[int, float],
        *,
        sample_rate_hz: float,
        points: int,
        coupling: Literal["DC", "AC"] = "DC",
        trigger: int | None = None,
        averages: int = 1,
        high_resolution: bool = False,
        time_out_s: float = 10.0,
    ) -> Capture:
        """Records of the inputs; whatever the coupling that is asked for, there is no DC in them.

        Raises:
            InstrumentRefused: an input, a peak or a length that it does not have.
            NotMeasured: a trigger is wanted, or samples were lost.
        """
        self._possible(peak_v, points)
        if trigger is not None:
            raise NotMeasured(
                "a sound interface has no trigger", expected="a scope", where=self.name
            )
        slower = self._slower(sample_rate_hz)
        ends = ENDS if slower > 1 else 0
        taken = self.stream.record((points + 2 * ends) * slower)
        volts, clipped, constant = {}, {}, {}
        for n in sorted(peak_v):
            frames = taken[n - 1]
            lowest, highest = float(frames.min()), float(frames.max())
            clipped[n] = max(-lowest, highest) >= CLIPPED
            constant[n] = lowest == highest
            volts[n] = self._full[n] * _slowed(frames, slower, ends, points)
        return Capture(
            t0_s=0.0,
            dt_s=slower / self.stream.rate_hz,
            volts=volts,
            lsb_v={n: 2.0 * self._full[n] / 2.0**self.bits for n in volts},
            clipped=clipped,
            gain={n: self._gain[n] for n in volts},
            offset_v={n: rectangular(0.0, 0.0, "") for n in volts},
            constant=constant,
        )

    def _slower(self, wanted_hz: float) -> int:
        return max(1, math.floor(self.stream.rate_hz / wanted_hz + 1e-9))

    def _possible(self, peak_v: dict[int, float], points: int) -> None:
        if not peak_v or not 1 <= points <= self.max_points:
            raise InstrumentRefused(
                f"{len(peak_v)} inputs and {points} points",
                expected=f"at least one, and 1 to {self.max_points}", where=self.name,
            )  # fmt: skip
        for n in peak_v:
            if n not in self._full:
                raise InstrumentRefused(
                    f"there is no input {n}", expected=f"1 to {self.channels}", where=self.name
                )


def _slowed(frames: Frames, slower: int, ends: int, points: int) -> Frames:
    """Every so many samples, after a filter that keeps what is above half of that rate out."""
    if slower == 1:
        return frames[:points]
    from scipy.signal import resample_poly

    found: Frames = resample_poly(frames, 1, slower)
    return found[ends : ends + points]
