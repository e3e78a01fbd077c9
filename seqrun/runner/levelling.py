"""Finding out about a sound interface: its levels against the meter, its own faults from out to in.

The unit stays where it is, without power: the generator's leads are on its inputs as ever, the tip
of an input and the meter are put beside them. So each output is heard by the input of the same
number, through the divider that it will be used with.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from uncertainties import UFloat

from seqrun.errors import NotMeasured, UsageError
from seqrun.files.sound import Sound
from seqrun.files.writing import quoted
from seqrun.instruments.roles import Capture
from seqrun.instruments.sound import SoundGenerator, SoundScope
from seqrun.measure.distortion import distortion
from seqrun.measure.noise import noise_level
from seqrun.measure.sinefit import fit_sine_4
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.values import COVERAGE_FACTOR, rectangular

LEVEL_HZ, CROSSTALK_HZ = 1000.0, 10_000.0
SHARE = 0.5  # of full scale: enough to be read well, and far from where converters limit
BAND = (20.0, 50.0, 200.0, 5000.0, 10_000.0, 20_000.0)
RECORD_S, NOISE_S = 1.0, 2.0
#: an input that hears less than this share of its full scale says little of its own curvature
HEARD_WELL = 0.25
#: nothing below this is told apart from nothing
LEAST_CROSSTALK_DB = -140.0

OFF = (
    "The unit must be without power, mains plug out, and its reservoirs discharged. Tones of about "
    "a volt go to its inputs."
)


@dataclass(frozen=True, slots=True)
class Levelled:
    """What was found, and what is to be said about it."""

    sound: Sound
    notes: tuple[str, ...]


def level(
    view: BenchView,
    instruments: dict[str, Any],
    connect: Callable[[Hookup], None],
    tell: Callable[[str], None],
    today: datetime.date,
) -> Levelled:
    """Level each output and input that have the same number, then look from out to in.

    Args:
        connect: has leads put where a hookup says.
        tell: hears what is going on.

    Raises:
        UsageError: the bench has no sound interface in both roles, or no meter.
        NotMeasured: a tone that does not arrive.
    """
    generator, scope = (instruments[view.key(role)] for role in ("generator", "scope"))
    if not (isinstance(generator, SoundGenerator) and isinstance(scope, SoundScope)):
        raise UsageError(
            "this bench has no sound interface as generator and scope",
            expected='resource = "sound::…" and the drivers sound-output and sound-input for both',
            where=view.bench.name,
        )
    one = _Levelling(view, generator, scope, instruments[view.key("meter")], connect, tell)
    try:
        return one.done(today)
    finally:
        generator.make_safe()


class _Levelling:
    def __init__(
        self,
        view: BenchView,
        generator: SoundGenerator,
        scope: SoundScope,
        meter: Any,
        connect: Callable[[Hookup], None],
        tell: Callable[[str], None],
    ) -> None:
        self.view, self.generator, self.scope, self.meter = view, generator, scope, meter
        self.connect, self.tell = connect, tell
        self.output = {view.generator_on(channel): channel for channel in view.unit.channels}
        self.numbers = sorted(n for n in self.output if n <= scope.channels)
        if not self.numbers:
            raise UsageError(
                "no output of the sound interface is on an input of the unit",
                expected="a [[lead]] from each of them", where=view.bench.name,
            )  # fmt: skip

    def done(self, today: datetime.date) -> Levelled:
        key = self.view.key("scope")
        ends: list[UFloat] = []
        outs, ins, worst = [], [], 0.0
        loading = self._loading()
        for n in self.numbers:
            node = f"in.{self.output[n]}"
            tip = Hookup(((f"{key}.{n}", node),), f"tip of input {n} to {node}, beside its lead")
            self.connect(tip)
            self.connect(self.view.meter_across(node))
            full = self.generator.full_scale(n)
            self._play(n, LEVEL_HZ, SHARE * full)
            self.meter.configure("ac_voltage", SHARE * full / math.sqrt(2.0), 10.0)
            volts: UFloat = self.meter.read(5)
            if float(volts.nominal_value) < 0.2 * SHARE * full / math.sqrt(2.0):
                raise NotMeasured(
                    f"output {n} gives {render(float(volts.nominal_value), 'V')} to the meter",
                    expected=f"about {render(SHARE * full / math.sqrt(2.0), 'V')}", where=node,
                    hint="is its volume up, in the system's own settings too?",
                )  # fmt: skip
            heard = self._tone(n, LEVEL_HZ)
            out = math.sqrt(2.0) * volts * loading / SHARE
            into = math.sqrt(2.0) * volts / (heard / self.scope.full_scale(n))
            outs.append(float(out.nominal_value))
            ins.append(float(into.nominal_value))
            ends += [out, into]
            worst = max(worst, *(float(e.std_dev / e.nominal_value) for e in (out, into)))
            self.tell(
                f"output {n}: {render(outs[-1], 'V')} peak at full scale; input {n}: "
                f"{render(ins[-1], 'V')} at its tip"
            )
        ratio = {
            n: into / self.scope.full_scale(n) for n, into in zip(self.numbers, ins, strict=True)
        }
        first = self.numbers[0]
        found = self._distortion(first)
        reached = SHARE * self.generator.full_scale(first) / ins[0]
        stated = self.scope.driver.scope.distortion if self.scope.driver.scope else None
        notes = []
        if reached < HEARD_WELL and stated is not None and stated > found:
            notes.append(
                f"through the divider the loop reaches {100.0 * reached:.2g} % of an input's full "
                f"scale: its distortion stays the {100.0 * stated:.2g} % that its driver states "
                f"(the loop showed {100.0 * found:.2g} %)"
            )
            found = stated
        flat = max(self._flatness(n) for n in self.numbers)
        across = self._crosstalk(first)
        floor = max(self._floor(n) * ratio[n] for n in self.numbers)
        return Levelled(
            Sound.model_construct(  # in base units, which a file may not hold
                levelled=today,
                against=self.meter.identity[:120],
                input_full_scale=tuple(ins),
                output_full_scale=tuple(outs),
                level_uncertainty=COVERAGE_FACTOR * worst,
                floor=floor,
                distortion=found,
                flatness=flat,
                crosstalk=across,
            ),
            tuple(notes),
        )

    def _loading(self) -> UFloat:
        """What an output gives open over what it gives into the unit's input."""
        settings = self.generator.driver.generator
        source = settings.impedance if settings is not None else 0.0
        share = source / (self.view.unit.input_impedance or 10e3)
        return rectangular(1.0 + share, 0.5 * share, "loading of the output by the unit's input")

    def _play(self, n: int, frequency_hz: float, peak_v: float) -> None:
        self.generator.sine(n, frequency_hz, peak_v / math.sqrt(2.0))
        for other in self.output:
            self.generator.enable(other, other == n)

    def _record(self, seconds: float, *numbers: int) -> Capture:
        rate = self.scope.sample_rate_near(1e9)
        wanted = {n: 0.5 * self.scope.full_scale(n) for n in numbers}
        got = self.scope.acquire(wanted, sample_rate_hz=rate, points=int(seconds * rate))
        if any(got.clipped.values()):
            raise NotMeasured(
                "an input clips", expected="a lower level, or a divider before the input",
                where=self.scope.name,
            )  # fmt: skip
        return got

    def _tone(self, n: int, frequency_hz: float) -> float:
        """Peak of a tone at an input, in the volts that the scope now makes of it."""
        got = self._record(RECORD_S, n)
        fit = fit_sine_4(got.volts[n], 1.0 / got.dt_s, frequency_hz)
        return math.sqrt(2.0) * float(fit.rms.nominal_value)

    def _distortion(self, n: int) -> float:
        self.tell("distortion from out to in")
        self._play(n, LEVEL_HZ, SHARE * self.generator.full_scale(n))
        got = self._record(RECORD_S, n)
        thd = distortion(got.volts[n], 1.0 / got.dt_s).thd.value
        return max(float(thd.nominal_value + thd.std_dev), 1e-7)

    def _flatness(self, n: int) -> float:
        self.tell(f"response from output {n} to input {n}")
        level = {}
        for frequency in (LEVEL_HZ, *BAND):
            self._play(n, frequency, SHARE * self.generator.full_scale(n))
            level[frequency] = self._tone(n, frequency)
        return max(abs(level[f] / level[LEVEL_HZ] - 1.0) for f in BAND) + 1e-5

    def _crosstalk(self, n: int) -> float:
        """Of the tone at input ``n`` in another one, whose tip is on ground, dB."""
        other = next((m for m in range(1, self.scope.channels + 1) if m != n), None)
        if other is None:
            return LEAST_CROSSTALK_DB
        key = self.view.key("scope")
        lead = ((f"{key}.{other}", "ground"),)
        self.connect(Hookup(lead, f"tip of input {other} to ground"))
        self.tell(f"crosstalk from input {n} to input {other}")
        self._play(n, CROSSTALK_HZ, SHARE * self.generator.full_scale(n))
        got = self._record(RECORD_S, n, other)
        loud, leak = (_line(got.volts[m], 1.0 / got.dt_s, CROSSTALK_HZ) for m in (n, other))
        return max(20.0 * math.log10(max(leak, 1e-12) / loud), LEAST_CROSSTALK_DB)

    def _floor(self, n: int) -> float:
        """Noise of an input with nothing playing, V rms, in volts that the scope makes of it."""
        self.generator.make_safe()
        got = self._record(NOISE_S, n)
        return float(noise_level(got.volts[n], 1.0 / got.dt_s).rms.value.nominal_value)


def _line(volts: Any, rate_hz: float, frequency_hz: float) -> float:
    """Peak of what is at one frequency, noise of half a hertz beside it included."""
    turns = 2.0j * np.pi * frequency_hz / rate_hz * np.arange(volts.size)
    window = np.hanning(volts.size)
    return float(2.0 * abs((volts * window * np.exp(-turns)).sum()) / window.sum())


def table(sound: Sound) -> str:
    """The table ``[sound]`` as text, for a bench file."""

    def volts(values: tuple[float, ...]) -> str:
        return "[" + ", ".join(f'"{value:.6g} V"' for value in values) + "]"

    lines = [
        "[sound]",
        f"levelled = {sound.levelled}",
        f"against = {quoted(sound.against)}",
        f"input_full_scale = {volts(sound.input_full_scale)}",
        f"output_full_scale = {volts(sound.output_full_scale)}",
        f'level_uncertainty = "{100.0 * sound.level_uncertainty:.3g} %"',
        f'floor = "{1e6 * sound.floor:.3g} µV"',
        f'distortion = "{100.0 * sound.distortion:.3g} %"',
        f'flatness = "{100.0 * sound.flatness:.3g} %"',
        f'crosstalk = "{sound.crosstalk:.1f} dB"',
    ]
    return "\n".join(lines) + "\n"
