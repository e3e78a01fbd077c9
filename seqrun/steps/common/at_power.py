"""What steps have in common that drive a tone at a stated output power and read what comes out."""

from __future__ import annotations

import math
from typing import ClassVar

from pydantic import Field

from seqrun.files.expression import WattsExpression
from seqrun.files.fields import Makes
from seqrun.measure.windows import Window, choose, coherent_setting
from seqrun.plan.context import Context
from seqrun.plan.contract import Step
from seqrun.plan.needs import Hookup, Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.drive import Waveform, drive_needs
from seqrun.steps.common.listening import on_ground, spare_probe

#: how far generator and scope clocks may differ: two quartz oscillators of 50 ppm (common practice)
CLOCKS = 1e-4
#: a converter's curvature where the data sheet is silent: one step against the peak
STEPS_OF_CURVATURE = 1.0


class DrivenStep(Step):
    """A step that drives the inputs with a tone.

    With ``each = "channel"`` that channel alone is driven, otherwise all together.
    """

    makes: ClassVar[Makes] = "channel"

    power: WattsExpression | None = Field(
        None, description="into each load; 1 W, or a tenth of rated_power if that is less"
    )

    def planned_watts(self, view: BenchView) -> float:
        """The power from the files alone."""
        if self.power is None:
            return min(1.0, 0.1 * view.unit.rated_power)
        return self.power.evaluate_in("W", view.unit.names())

    def watts(self, ctx: Context) -> float:
        """The power, W."""
        return ctx.evaluate(self.power, "W") if self.power else self.planned_watts(ctx.view)

    def driven_needs(self, view: BenchView, seconds: float, at_most: float = 1.0) -> Needs:
        """``at_most``: how many times the stated power the loads may get."""
        watts = at_most * self.planned_watts(view)
        return drive_needs(view, self.channels(view), watts, seconds=seconds)


def floor_probe(view: BenchView, channels: tuple[str, ...]) -> tuple[int, Hookup] | None:
    """A spare probe that can sit on ground and read the scope's own noise, and its hookup."""
    used = [n for c in channels for n in view.scope_on(f"out.{c}")[:2]]
    spare = spare_probe(view, tuple(used))
    return None if spare is None else (spare, on_ground(view, spare))


def level_seen(ctx: Context, wave: Waveform) -> float:
    """Peak of a record over what the range holds."""
    half_scale = wave.lsb_v * math.pow(2.0, ctx.scope.bits - 1)
    return min(float(abs(wave.volts).max()) / half_scale, 1.0)


def distortion_floor(view: BenchView, level: float = 1.0) -> float:
    """Distortion of generator and scope together, as a ratio, from what their drivers say.

    Each is taken to have what its data sheet allows, at a phase of its own, so that squares add.
    Where the data sheet is silent the scope's is one converter step against the peak (an integral
    nonlinearity of that size is usual) and the generator's nothing beside it.

    Args:
        level: peak over full scale of the scope: the second harmonic of a slight curvature falls
            with the level, the third with its square; half the square is taken to be in each.
    """
    scope = view.drivers[view.key("scope")].scope
    generator = view.drivers[view.key("generator")].generator
    assert scope is not None and generator is not None, "drivers are checked when they are read"
    own = scope.distortion or STEPS_OF_CURVATURE * 2.0 ** (1 - scope.bits)
    # Lines that quantising makes of a sine fall by about 9 dB a bit (from memory); ten of them.
    steps = math.sqrt(10.0) * math.pow(2.0, -1.5 * scope.bits)
    own *= level * math.sqrt(0.5 * (1.0 + level * level))
    return math.hypot(own, steps, generator.distortion or 0.0)


def tuned(
    ctx: Context, frequency_hz: float, rate_hz: float, points: int, shared_clock: bool
) -> tuple[float, Window]:
    """The frequency to set, Hz, and the window that serves it.

    The tone is moved to where a whole number of periods fits the record and no two of them are
    sampled at the same phases: otherwise the converter's steps repeat from period to period and
    look like harmonics (IEEE 1241). Without a shared reference the clocks of generator and scope
    still drift apart within the record, and a window is needed however well the periods fit.
    """
    leakage_db = 6.02 * ctx.scope.bits + 20.0
    setting = coherent_setting(frequency_hz, rate_hz, points)
    window = choose(setting.cycles, 0.0 if shared_clock else CLOCKS, leakage_db)
    return setting.frequency_hz, window
