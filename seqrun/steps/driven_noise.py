"""What a driven output carries beside the tone and its harmonics: hiss, buzz, whistles, hum."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

from seqrun.measure.distortion import Distortion
from seqrun.measure.weighting import BAND_HZ
from seqrun.measure.windows import Window
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast
from seqrun.plan.view import BenchView
from seqrun.steps.common.drive import HEADROOM
from seqrun.steps.common.forecasts import near_limit, scope_share
from seqrun.steps.common.listening import ALIKE
from seqrun.steps.distortion import LEAST_RATE_HZ, OneTone
from seqrun.values import COVERAGE_FACTOR

OF_LIMIT = 0.1  # by which two ways to read the harmonics may differ beside it (our own choice)

NOISE_DRIVEN = Measurand(
    "noise_driven",
    "V",
    title="noise while driven",
    what=(
        "The rms of all that a driven output carries from 22 Hz to 22 kHz and that is neither the "
        "tone nor one of its harmonics: hiss, buzz, hum, whistles."
    ),
    how=(
        "All channels driven; the windowed spectrum of a record less tone and harmonics. A spare "
        "probe on ground tells the scope's own noise on that range, which is taken out; what lies "
        "within it is 'at most'."
    ),
    fooled_by=(
        "Beside a tone of many volts the converter's steps are loud: a scope of 8 bits says "
        "little. Noise of the generator, times the gain."
    ),
    contact="The driven tone itself, seen through the same lead.",
)


class DrivenNoise(OneTone):
    """Noise at a driven output: what comes with the signal is not heard at rest."""

    kind: ClassVar[str] = "driven_noise"
    yields: ClassVar = (judged(NOISE_DRIVEN, "channel"),)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        scope = view.drivers[view.key("scope")].scope
        assert scope is not None, "drivers are checked when they are read"
        peak = HEADROOM * math.sqrt(2.0 * self.planned_watts(view) * view.unit.rated_load)
        step = 2.0 * peak * (1.0 + scope.headroom) / 2.0**scope.bits
        floor = step / math.sqrt(12.0) * math.sqrt(2.0 * BAND_HZ[1] / LEAST_RATE_HZ)
        value = near_limit(self, view, floor)
        u = math.hypot(value * scope_share(view, value), ALIKE * floor)
        return Forecast(
            value, COVERAGE_FACTOR * u, floor=floor, better="a scope of more bits, or less power"
        )

    def ratio_limit(self, ctx: Context) -> float | None:
        """It judges no distortion."""
        return None

    def slack(self, ctx: Context, volts: float) -> float:
        """What differs by so small a part of the limit is no noise that matters."""
        limit = ctx.limit.high if ctx.limit is not None else None
        return 0.0 if limit is None else OF_LIMIT * limit / volts

    def results(
        self, ctx: Context, found: Distortion, channel: str, window: Window
    ) -> Iterator[Yielded]:
        volts = float(found.fundamental_rms.nominal_value)
        yield self.reading(
            NOISE_DRIVEN,
            found.noise_rms.value,
            channel=channel,
            bound=found.noise_rms.bound,
            instruments=(ctx.scope.name, ctx.generator.name),
            note=f"beside {found.fundamental_hz:.4g} Hz, {volts:.3g} V, {window.name} window",
        )
