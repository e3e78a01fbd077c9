"""The signal part of the virtual generator: what each output really puts out.

Level, flatness and frequency are off by hidden amounts within the data sheet; the output has its
own harmonics and a noise floor. Levels are V rms of the open circuit, which stands behind the 50 Ω.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.hidden import HiddenErrors
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.ports import Drive, Tone

Shape = Literal["SIN", "SQU"]

SETTLE_S = 0.005
RELAY_S = 0.010
REFERENCE_HZ = 1000.0


def peak_per_rms(shape: Shape) -> float:
    """Crest factor of one component: a tone, or a square wave."""
    return 1.0 if shape == "SQU" else math.sqrt(2.0)


@dataclass(slots=True)
class Setting:
    """One output as it is set. Levels in V rms of the open circuit."""

    shape: Shape = "SIN"
    frequency_hz: float = 400.0
    volts_rms: float = 0.0
    second: bool = False  # a second sine on the first
    second_frequency_hz: float = 400.0
    second_volts_rms: float = 0.0
    offset_v: float = 0.0
    pulsed: bool = False  # bursts of the sine
    burst_cycles: int = 1
    burst_period_s: float = 0.25
    on: bool = False


class GeneratorOutputs:
    """The outputs, counted from 1; terminal of output n is ``generator.n``."""

    def __init__(
        self,
        world: Surroundings,
        key: str = "generator",
        count: int = spec.GENERATOR_OUTPUTS,
    ) -> None:
        self._world = world
        self._key = key
        self.numbers = range(1, count + 1)
        self._errors = HiddenErrors(world, key)
        self.settings: dict[int, Setting] = {}
        self.reset()

    def reset(self) -> None:
        for n in self.numbers:
            self.settings[n] = Setting()
            self._world.set_drive(f"{self._key}.{n}", None)

    def switch(self, number: int, on: bool) -> None:
        self.settings[number].on = on
        self.apply(number, RELAY_S)

    def apply(self, number: int, takes_s: float = SETTLE_S) -> None:
        """Put the setting out, and let the time pass that it takes."""
        self._world.set_drive(f"{self._key}.{number}", self.drive(number))
        self._world.advance(takes_s)

    def drive(self, number: int) -> Drive | None:
        """What stands behind the source now; None while the output relay is open."""
        s = self.settings[number]
        if not s.on:
            return None
        start = self._world.now
        tones = self._component(number, s.frequency_hz, s.volts_rms, s.shape, start)
        if s.second and s.shape == "SIN":
            tones += self._component(
                number, s.second_frequency_hz, s.second_volts_rms, s.shape, start
            )
        shape: Literal["sine", "square", "burst"] = "sine"
        if s.shape == "SQU":
            shape = "square"
        elif s.pulsed:
            shape = "burst"
        return Drive(
            tones=tones,
            offset_v=s.offset_v,
            noise_v_rms=self._noise_v_rms(number),
            shape=shape,
            burst_cycles=s.burst_cycles,
            burst_period_s=s.burst_period_s,
            source_ohm=spec.GENERATOR_SOURCE_OHM,
        )

    def _component(
        self, number: int, frequency_hz: float, volts_rms: float, shape: Shape, start: float
    ) -> tuple[Tone, ...]:
        place = str(number)
        level = self._errors.of(spec.accuracy("generator", "level"), place).apply(volts_rms)
        level = max(0.0, level) if volts_rms > 0.0 else 0.0
        # Flatness: a tilt that reaches the hidden figure four octaves away from the reference.
        decades = math.log10(frequency_hz / REFERENCE_HZ) / math.log10(20.0)
        side = "below" if decades < 0.0 else "above"  # coupling on one, roll-off on the other
        tilt_db = self._errors.within(spec.GENERATOR_FLATNESS_DB, f"flatness.{place}.{side}")
        level *= 10.0 ** (tilt_db * min(1.0, abs(decades)) / 20.0)
        # One reference oscillator for both outputs.
        frequency_hz *= 1.0 + self._errors.within(spec.GENERATOR_FREQUENCY, "frequency")
        peak = level * peak_per_rms(shape)
        main = Tone(frequency_hz, peak, 0.0, start)
        if shape == "SQU" or peak == 0.0:
            return (main,)
        return (main, *self._harmonics(main, place))

    def _harmonics(self, main: Tone, place: str) -> list[Tone]:
        """Second and third, together within the specified distortion, each at its own phase."""
        most = 10.0 ** (spec.GENERATOR_DISTORTION_DBC / 20.0)
        total = main.volts_peak * self._errors.within(most, f"distortion.{place}")
        angle = self._errors.within(math.pi, f"harmonics.{place}")
        return [
            Tone(
                order * main.frequency_hz,
                total * share,
                self._errors.within(math.pi, f"phase of {order}.{place}"),
                main.start_s,
            )
            for order, share in ((2, math.cos(angle)), (3, math.sin(angle)))
        ]

    def _noise_v_rms(self, number: int) -> float:
        """Within the specification; by mean squares, as noise adds up."""
        share = abs(self._errors.within(1.0, f"noise.{number}"))
        return spec.GENERATOR_NOISE_V_RMS * math.sqrt(share)
