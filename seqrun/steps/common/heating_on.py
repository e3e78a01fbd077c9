"""Heating on, once where a rise ends is known: at a greater power, to a share of that end."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from seqrun.errors import NotMeasured
from seqrun.plan.context import Context
from seqrun.plan.supply_checks import LOAD_MARGIN, current_for, largest_current
from seqrun.plan.view import BenchView
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.ears import Ears
from seqrun.steps.common.faintest import heard_beside
from seqrun.steps.common.rise_curve import RiseCurve
from seqrun.steps.common.sink import sink_now, watch_sink

SHORT_OF = 0.95  # of what the bench could: what is to heat is no reason to go to its ends
LEAST_LEFT = 0.85  # of a rise that is heated on: less is a sensor that has come off


def watts_of(view: BenchView, watts: float) -> float:
    """A power into each load, W, or as much of it as the loads stand and the supply gives."""
    if not watts > 0.0:
        return watts
    channels = view.unit.channels
    most = min(view.load(channel).power / LOAD_MARGIN for channel in channels)
    if view.has("supply"):
        share = largest_current(view) / current_for(view.unit, dict.fromkeys(channels, watts))
        most = min(most, watts * share * share)
    return min(watts, SHORT_OF * most)


@dataclass(slots=True)
class HeatingOn:
    """What comes after a rise that was judged.

    Args:
        step_id: of the soak. usual_w, greater_w: into each load, W. faintest_v: of the crackles
            that are to be heard, V rms over 5 ms; inf: none are. ambient_c: °C.
        still_driven: takes the most that the supply gave, A, and gives what it gives now.
        enough: whether was listened to for long enough, by s since the soak began and the faintest
            that was to be heard, V.
        curve: the rise that was judged. then: takes what comes after it.
    """

    ctx: Context
    step_id: str
    drive: Drive
    ears: Ears | None
    usual_w: float
    greater_w: float
    faintest_v: float
    ambient_c: float
    still_driven: Callable[[float], float]
    enough: Callable[[float, float], bool]
    curve: RiseCurve
    then: RiseCurve

    def to_share(self, seen: float, high_k: float | None, every_s: float, at_most_s: float) -> None:
        """Go on to a share of the end, at the greater power, and for as long as is still to be
        listened. The unit is never heated beyond what the usual power comes to, and never for
        longer than that power alone would take.

        Args:
            seen, high_k: as of :meth:`~seqrun.steps.common.rise_curve.RiseCurve.to_share`.
            every_s: s from one look to the next. at_most_s: of the whole soak, s.

        Raises:
            NotMeasured: the sensor has come off, or an output delivers less than it did.
        """
        ctx, curve, ears = self.ctx, self.curve, self.ears
        target, longest = curve.to_share(seen, high_k)
        harder = self.play(hard=curve.rises[-1] < target)
        before, gives = curve.times[-1], 0.0
        if harder:
            ctx.fact("heated_on", self.step_id, {"since_s": before})
        # What the scope does not hear beside the usual power need not be waited for.
        hears = ears is not None and ears.least <= self.faintest_v
        faintest = self.faintest_v if hears else math.inf
        begun = ctx.clock.now()
        watch_sink(ctx)

        def there() -> bool | None:
            nonlocal harder, gives
            if ears is not None:
                ears.listen()
            rise = sink_now(ctx) - self.ambient_c
            self._see_attached(rise)
            gives = max(gives, self.still_driven(gives))
            passed = ctx.clock.now() - begun
            self.then.add(ctx.clock.now() - curve.begun, rise, 0.0)
            told = f", {ears.told()}" if ears is not None else ""
            share = min((before + passed) / at_most_s, 1.0)
            ctx.progress(f"heating on: rise {rise:.1f} K{told}", share, curve.indication())
            warm = rise >= target or passed >= longest
            if warm and harder:
                harder, gives = self.play(hard=False), 0.0
            # Beside the greater power a crackle that counts may not have been heard.
            heard = self.enough(before + passed, faintest)
            return True if warm and heard else None

        ctx.wait_until(
            there,
            every_s=every_s,
            at_most_s=max(at_most_s - before, longest) + 60.0,
            what="the rest of the heat",
        )

    def play(self, *, hard: bool) -> bool:
        """Drive with the greater power, or with the usual one; whether it is the greater one.

        Where the unit does not give that much, a step that judges its power will say so. What is
        listened to is not driven so loud that the scope no longer hears what counts.
        """
        watts = self.greater_w
        if self.ears is not None:
            least = self.ears.least
            watts = heard_beside(self.ctx.view, self.faintest_v, least, self.usual_w, watts)
        hard = hard and watts > self.usual_w
        try:
            if hard:
                self.drive.to_power(watts)
        except NotMeasured as reason:
            self.ctx.say(f"{self.step_id}: it is not heated faster: {reason.found}")
            hard = False
        if not hard:
            self.drive.to_power(self.usual_w)
        return hard

    def _see_attached(self, rise_k: float) -> None:
        had = self.curve.rises[-1]
        if rise_k < LEAST_LEFT * had:
            raise NotMeasured(
                f"the heatsink reads a rise of {rise_k:.1f} K and had {had:.1f} K",
                expected="more of it, as more heat goes in",
                where=self.step_id,
                hint="see that the sensor sits on the heatsink, and to its leads",
            )
