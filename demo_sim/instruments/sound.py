"""The virtual sound interface: AC coupled, one range, a clock of its own.

It is reached at the stream's edge, as the driver of a real one is: frames of samples out and in.
Its outputs are the leads ``generator.1`` and ``.2``, its inputs ``scope.1`` and ``.2``, each behind
a divider. What it promises nobody knows: its levels are found against the meter.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_sim.instruments.hidden import HiddenErrors
from demo_sim.instruments.scope_coupling import Capacitor, without_dc
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.ports import Drive, Tone

Floats = NDArray[np.float64]

CLOCK = 50e-6  # ± fraction
LEVEL = 0.05  # ± fraction
DIVIDER_TOLERANCE = 0.01
COUPLING_HZ = 2.0
CROSSTALK_DB = -95.0
TILT_DB = 0.03  # ±, at 20 Hz and 20 kHz
OUTPUT_OHM = 100.0
LATENCY_S = 0.02
CONVERTS_HZ = 192e3  # and filters what it has converted down to its rate
PASSES = 0.95  # of half its rate, to half of its level
FILTER_TAPS = 60  # on either side, samples of its rate
FAINTEST = 1e-7  # of the largest: less in a loop is rounding


@dataclass(frozen=True, slots=True)
class Card:
    """What kind of interface it is.

    Args:
        input_peak_v, output_peak_v: at full scale, about. divider: before each input.
        input_noise_v, output_noise_v: rms, 22 Hz … 22 kHz. distortion: second and third together,
            at half of full scale, of either end.
    """

    rate_hz: float = 192e3
    bits: int = 24
    inputs: int = 2
    outputs: int = 2
    input_peak_v: float = 4.0
    output_peak_v: float = 2.8
    divider: float = 10.0
    input_noise_v: float = 3e-6
    output_noise_v: float = 5e-6
    distortion: float = 1.5e-5


USUAL = Card()


class SoundInterface:
    """Plays and records frames, −1 to 1 of full scale."""

    identity = "SIMULATED SOUND INTERFACE"

    def __init__(
        self,
        world: Surroundings,
        card: Card = USUAL,
        key_in: str = "scope",
        key_out: str = "generator",
    ) -> None:
        self.card = card
        self.rate_hz, self.inputs, self.outputs = card.rate_hz, card.inputs, card.outputs
        self._world = world
        self._in, self._out = key_in, key_out
        self._errors = HiddenErrors(world, "sound")
        self._noise = world.rng("sound.noise")
        self._capacitors: dict[int, tuple[str | None, Capacitor]] = {}
        self.levelled_against = "a meter"
        self.volume_in = self.volume_out = 1.0  # of its knobs, against where it was levelled
        self._true_rate = card.rate_hz * (1.0 + self._errors.within(CLOCK, "clock"))

    # --- what it really is ---

    def input_peak_v(self, number: int) -> float:
        """V at the tip of an input's lead that are full scale at 1 kHz; the divider included."""
        own = self.card.input_peak_v * (1.0 + self._errors.within(LEVEL, f"input.{number}"))
        tip = (
            own
            * self.card.divider
            * (1.0 + self._errors.within(DIVIDER_TOLERANCE, f"divider.{number}"))
        )
        return tip / self.volume_in

    def output_peak_v(self, number: int) -> float:
        """V of an output, open circuit, that are full scale at 1 kHz."""
        own = self.card.output_peak_v * (1.0 + self._errors.within(LEVEL, f"output.{number}"))
        return own * self.volume_out

    def label(self) -> dict[str, str]:
        """What whoever levelled it wrote down: near the truth, and no better."""
        off = 0.001

        def about(value: float, name: str) -> float:
            return value * (1.0 + self._errors.within(off, f"label.{name}"))

        def listed(values: list[float]) -> str:
            return "[" + ", ".join(f'"{value:.6g} V"' for value in values) + "]"

        return {
            "levelled": "2026-03-05",
            "against": f'"{self.levelled_against}"',
            "input_full_scale": listed(
                [about(self.input_peak_v(n), f"in.{n}") for n in range(1, self.inputs + 1)]
            ),
            "output_full_scale": listed(
                [about(self.output_peak_v(n), f"out.{n}") for n in range(1, self.outputs + 1)]
            ),
            "level_uncertainty": '"0.15 %"',
            "floor": f'"{self.card.divider * self.card.input_noise_v:.3g} V"',
            "distortion": f'"{200.0 * self.card.distortion:.3g} %"',
            "flatness": f'"{100.0 * (10.0 ** (2.0 * TILT_DB / 20.0) - 1.0):.3g} %"',
            "crosstalk": f'"{CROSSTALK_DB:g} dB"',
        }

    # --- out ---

    def play(self, loop: Floats | None) -> None:
        """From now on these frames, shape (outputs, frames), round and round; None, and an output
        that has none: silence."""
        rows = [] if loop is None else list(loop)
        for number in range(1, self.outputs + 1):
            told = number <= len(rows)
            drive = self._drive(number, np.clip(rows[number - 1], -1, 1)) if told else None
            self._world.set_drive(f"{self._out}.{number}", drive)
        self._world.advance(LATENCY_S)

    def _drive(self, number: int, frames: Floats) -> Drive:
        """A loop is its lines: what comes out of it is steady."""
        lines = np.fft.rfft(frames) / (0.5 * frames.size)
        size = np.abs(lines)
        full = self.output_peak_v(number)
        start = self._world.now
        tones: list[Tone] = []
        if size[1:].max(initial=0.0) > 1e-9:
            for k in np.flatnonzero(size[1:] > FAINTEST * size[1:].max()) + 1:
                hz = float(k) / frames.size * self._true_rate
                peak = full * float(size[k]) * self._tilt(hz, f"out.{number}")
                # A sine where the loop has one: its phase counts from the cosine.
                phase = float(np.angle(lines[k])) + 0.5 * math.pi
                tones.append(Tone(hz, peak, phase, start))
            loudest = max(tones, key=lambda tone: tone.volts_peak)
            tones += self._harmonics(loudest, full, f"out.{number}")
        noise = self.card.output_noise_v
        return Drive(tuple(tones), noise_v_rms=noise, source_ohm=OUTPUT_OHM)

    def _harmonics(self, main: Tone, full: float, place: str) -> list[Tone]:
        level = 2.0 * main.volts_peak / full
        total = (
            main.volts_peak
            * self.card.distortion
            * level
            * self._errors.within(1.0, f"thd.{place}")
        )
        angle = self._errors.within(math.pi, f"harmonics.{place}")
        shares = ((2, math.cos(angle)), (3, level * math.sin(angle)))
        return [
            Tone(n * main.frequency_hz, total * share, 0.7 * n, main.start_s) for n, share in shares
        ]

    def _tilt(self, hz: float, place: str) -> float:
        decades = math.log10(hz / 1000.0) / math.log10(20.0)
        side = "below" if decades < 0.0 else "above"
        db = self._errors.within(TILT_DB, f"tilt.{place}.{side}") * min(1.0, abs(decades))
        return math.pow(10.0, db / 20.0)

    # --- in ---

    def record(self, points: int) -> Floats:
        """The next frames of all inputs, shape (inputs, points)."""
        # The converter itself is fast, and keeps out what its rate cannot hold.
        fast = math.ceil(CONVERTS_HZ / self.rate_hz)
        t = self._world.now + LATENCY_S + np.arange(points * fast) / (fast * self._true_rate)
        tips = [self._slowed(self._tip(number)(t), fast) for number in range(1, self.inputs + 1)]
        leak = 10.0 ** (CROSSTALK_DB / 20.0)
        rows = []
        for number, tip in enumerate(tips, 1):
            other = tips[number % self.inputs]
            u = (tip + leak * other) / self.input_peak_v(number)
            u = u + self._curve(u, number)
            noise = self.card.input_noise_v * math.sqrt(
                0.5 * self.rate_hz / 22e3
            )  # white, over its whole band
            u = u + noise * self.card.divider / self.input_peak_v(
                number
            ) * self._noise.standard_normal(points)
            rows.append(
                np.clip(
                    np.rint(u * 2.0 ** (self.card.bits - 1)) / 2.0 ** (self.card.bits - 1),
                    -1.0,
                    1.0,
                )
            )
        self._world.advance(LATENCY_S + points / self._true_rate)
        return np.stack(rows)

    @staticmethod
    def _slowed(volts: Floats, fast: int) -> Floats:
        if fast == 1:
            return volts
        from scipy.signal import resample_poly

        taps = 2 * FILTER_TAPS * fast + 1
        # Half of what is at its edge passes, nothing from half of its rate up.
        low = np.sinc(PASSES / fast * (np.arange(taps) - taps // 2)) * np.kaiser(taps, 9.0)
        return np.asarray(resample_poly(volts, 1, fast, window=low / low.sum(), padtype="line"))

    def _curve(self, u: Floats, number: int) -> Floats:
        angle = self._errors.within(math.pi, f"curve.{number}")
        total = self.card.distortion * self._errors.within(1.0, f"thd.in.{number}")
        # At half of full scale a·u² has a second harmonic of a/4 of the tone, b·u³ a third of b/16.
        second, third = 4.0 * total * math.cos(angle), 16.0 * total * math.sin(angle)
        held = np.clip(u, -1.0, 1.0)
        return np.asarray(held * held * (second + third * held))

    def _tip(self, number: int) -> Callable[[Floats], Floats]:
        terminal = f"{self._in}.{number}"
        node, pickup = self._world.node_of(terminal), self._world.pickup(terminal)

        def offered(t: Floats) -> Floats:
            volts = self._world.voltage(node, "ground", t)
            return volts if pickup is None else volts + pickup.at(t)

        where, capacitor = self._capacitors.get(number, ("", Capacitor(COUPLING_HZ)))
        if where != node:  # charged by what it was on before
            capacitor = Capacitor(COUPLING_HZ)
        self._capacitors[number] = (node, capacitor)
        return lambda t: without_dc(offered, t, capacitor)

    def close(self) -> None:
        """Silence."""
        for number in range(1, self.outputs + 1):
            self._world.set_drive(f"{self._out}.{number}", None)
