"""Whether the first quiet tone comes through an output whose relay has just closed.

A contact that switches nothing grows a film, which passes little of a quiet signal and is broken by
the first loud one: the customer's channel that stays silent until it is played louder. All other
steps play louder tones before, or have been seen by a tone that broke the film.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.transfer import regained_db
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.contact import TONE_HZ
from seqrun.steps.common.drive import SEEN, Drive, Waveform
from seqrun.steps.common.forecasts import BETTER_SCOPE, decibels, moved_share
from seqrun.steps.common.looked_at import SWITCHED_ON, kept_of_each
from seqrun.steps.common.tone import fundamental
from seqrun.values import Bound

#: at an output, V rms: what films break at begins at some tens of millivolts (common practice for
#: dry circuits), and generators give no less through a gain of 30 dB; then louder than any film
#: that lets a relay be seen to close
QUIET_V, LOUD_V = 0.05, 1.0
LOUDEST_V = 0.1  # of a quiet tone, where a generator gives none so small
CYCLES, PER_CYCLE = 100, 25
#: largest |V| that the record of the quiet tone holds: DC within its limit goes in beside it
ROOM_V = 0.2
KEPT = "first tones"

FIRST_TONE_LOST = Measurand(
    "first_tone_lost",
    "dB",
    title="quiet tone lost before a loud one",
    what=(
        "How much less of a quiet tone comes through an output whose relay has just closed than "
        "of the same tone once it has been loud."
    ),
    how=(
        "Right after the unit was switched on and its relays have closed in silence: a tone of "
        "50 mV at the output, one of 1 V, and the quiet one again. What a film on a contact keeps "
        "of the first it no longer keeps of the last."
    ),
    fooled_by=(
        "A tone that was louder before, through the same contact, has broken the film. A generator "
        "whose lowest levels come and go."
    ),
    contact="The loud tone, through the same leads a moment later.",
)


def listen_first(ctx: Context, channels: tuple[str, ...]) -> dict[str, tuple[UFloat, Bound] | str]:
    """What every output loses of its first quiet tone, dB, or why that is not known."""
    drive = Drive(ctx, TONE_HZ, channels)
    quiet = {c: max(QUIET_V / drive.gain[c], drive.least_level) for c in channels}
    volts = max(quiet[c] * drive.gain[c] for c in channels)
    if volts > LOUDEST_V:
        least = f"the generator gives no less than {drive.least_level:.3g} V"
        return dict.fromkeys(channels, f"{least}: the first tone would be {volts:.2g} V")
    room_v = ROOM_V + 2.0 * (volts - QUIET_V)
    try:
        first = _heard(drive, quiet, room_v)
        loud = _heard(drive, {c: LOUD_V / drive.gain[c] for c in channels})
        again = _heard(drive, quiet, room_v)
    except NotMeasured as reason:  # what was seen in silence before stands all the same
        return dict.fromkeys(channels, reason.found)
    finally:
        drive.stop()
    watts = volts**2 / ctx.view.unit.rated_load
    moved = moved_share(ctx.view, watts)
    found: dict[str, tuple[UFloat, Bound] | str] = {}
    for channel in channels:
        try:
            if loud[channel].rms_v < SEEN * LOUD_V:
                raise NotMeasured("no tone at it, quiet or loud", expected="a relay that is closed")
            later = fundamental(again[channel], TONE_HZ)
            then, bound = _first(first[channel], later)
            found[channel] = (regained_db(then, later, moved), bound)
        except NotMeasured as reason:
            found[channel] = reason.found
    return found


def _heard(
    drive: Drive, levels: dict[str, float], peak_v: float | None = None
) -> dict[str, Waveform]:
    drive.set(levels)
    return drive.capture(peak_v=peak_v, cycles=CYCLES, per_cycle=PER_CYCLE, may_be_silent=True)


def _first(wave: Waveform, again: UFloat) -> tuple[UFloat, Bound]:
    """The first tone, V rms; where it is not there, all that is, and then more is lost."""
    if wave.rms_v < SEEN * again.nominal_value:
        return max(wave.rms_v, wave.lsb_v) * wave.gain, Bound.AT_LEAST
    return fundamental(wave, TONE_HZ), Bound.EXACT


class FirstTone(Step):
    """What an output lost of its first quiet tone, in a ``switching_thump`` step that watched the
    unit being switched on."""

    kind: ClassVar[str] = "first_tone"
    yields: ClassVar = (judged(FIRST_TONE_LOST, "channel"),)

    of: str = Field(description='id of a switching_thump step with when = "on"')

    def needs(self, view: BenchView) -> Needs:
        return Needs(frozenset({"generator", "scope"}), seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        share = moved_share(view, QUIET_V**2 / view.unit.rated_load)
        return decibels(share, 0.0, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        for channel, seen in kept_of_each(
            ctx,
            key_of(self.of),
            tuple,
            self.channels(ctx.view),
            of=self.of,
            where=self.id,
            nothing="given no first tone",
            expected=SWITCHED_ON,
        ):
            if isinstance(seen, str):
                yield self.not_measured(FIRST_TONE_LOST, seen, channel=channel)
                continue
            lost, bound = seen
            yield self.reading(
                FIRST_TONE_LOST,
                lost,
                channel=channel,
                bound=bound,
                instruments=(ctx.scope.name, ctx.generator.name),
                note=f"a quiet tone, before and after {LOUD_V:g} V",
            )


def key_of(step_id: str) -> str:
    """Under which a step keeps what the first tones have shown."""
    return f"{KEPT} {step_id}"
