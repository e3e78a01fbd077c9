"""A quiet tone at outputs that are left alone, looked at on one small range: what is done to the
unit meanwhile, and should not matter to it, shows as a change of what there is.

The tone is part of each look: a lead that has come off, and a relay that has opened, show no tone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from contextlib import suppress

from seqrun.errors import NotMeasured, WaitedInVain
from seqrun.measure.bounds import Bounded
from seqrun.measure.changed import OutputState, change_v, output_state
from seqrun.measure.sinefit import fit_sine_4
from seqrun.plan.context import Context
from seqrun.plan.needs import Forecast, Needs, ScopeRecord
from seqrun.plan.view import BenchView
from seqrun.steps.common.contact import TONE_HZ
from seqrun.steps.common.drive import SEEN, Drive, Waveform, drive_needs
from seqrun.steps.common.forecasts import BETTER_SCOPE, MOVED, scope_share, share
from seqrun.values import COVERAGE_FACTOR

#: at an output, V rms, and the most where a generator gives none so small
QUIET_V, LOUDEST_V = 0.05, 0.1
#: largest |V| that the record holds: DC within its limit goes in beside the tone
ROOM_V = 0.2
LOOK_S, PER_CYCLE = 0.1, 25  # whole periods of 50 Hz and of 60 Hz
STEADY = 0.05  # of the tone: so little may it be uncertain by the scatter of its parts
RESTS_S = 20.0  # what takes longer to come to rest is not waited for
Changes = Mapping[str, Bounded | str]


class QuietTone:
    """A quiet tone in some channels, from the first look until it is stopped.

    Raises:
        NotMeasured: the generator gives none so small.
    """

    def __init__(
        self,
        ctx: Context,
        channels: Iterable[str],
        frequency_hz: float = TONE_HZ,
        quiet_v: float = QUIET_V,
    ) -> None:
        self.ctx = ctx
        self.tone_hz = frequency_hz
        self.drive = Drive(ctx, frequency_hz, channels)
        gain = self.drive.gain
        self.levels = {
            c: max(quiet_v / gain[c], self.drive.least_level) for c in self.drive.channels
        }
        self._volts = volts = max(level * gain[c] for c, level in self.levels.items())
        if volts > max(LOUDEST_V, quiet_v):
            raise NotMeasured(
                f"the generator gives no less than {self.drive.least_level:.3g} V: the quiet tone "
                f"would be {volts:.2g} V",
                expected=f"at most {max(LOUDEST_V, quiet_v):g} V at the output",
            )
        self._room_v = ROOM_V + 2.0 * max(volts - QUIET_V, 0.0)
        self._frequency_hz: dict[str, float] = {}

    def at_rest(self) -> dict[str, OutputState]:
        """As :meth:`looks`, once every output shows the tone steadily, within the range: a relay
        that has yet to close, what was loud before, and the scope's own coupling may take seconds.
        As it is after :data:`RESTS_S` at the latest."""
        seen: dict[str, OutputState] = {}

        def rests() -> bool | None:
            seen.update(self.looks())
            return True if all(self._rests(c, one) for c, one in seen.items()) else None

        with suppress(WaitedInVain):
            self.ctx.wait_until(
                rests, every_s=0.5, at_most_s=RESTS_S, what="the outputs to come to rest"
            )
        return seen

    def whole(self) -> dict[str, OutputState]:
        """As :meth:`looks`; where a coupling has to follow the middle of a rail first, once it has,
        or after :data:`RESTS_S`."""
        if self.drive.coupling == "DC":
            return self.looks()
        seen: dict[str, OutputState] = {}

        def followed() -> bool | None:
            before = dict(seen)
            seen.update(self.looks())
            return True if before and not any(o.clipped for o in seen.values()) else None

        with suppress(WaitedInVain):
            self.ctx.wait_until(
                followed, every_s=1.0, at_most_s=RESTS_S, what="the scope's coupling to follow"
            )
        return seen

    def looks(self) -> dict[str, OutputState]:
        """DC, tone and rest of every output as they are now."""
        self.drive.frequency_hz = self.tone_hz
        self.drive.set(self.levels)
        waves = self.drive.capture(
            peak_v=self._room_v,
            cycles=round(LOOK_S * self.tone_hz),
            per_cycle=PER_CYCLE,
            may_be_silent=True,
        )
        return {c: self._look(c, wave) for c, wave in waves.items()}

    def _look(self, channel: str, wave: Waveform) -> OutputState:
        rate = 1.0 / wave.dt_s
        known = self._frequency_hz.get(channel)
        at_hz = known
        if known is None and not wave.clipped and self._there(channel, wave):
            # By the scope's clock: what of the tone is beside the frequency is rest.
            with suppress(NotMeasured):  # of a record that a relay closes in
                fit = fit_sine_4(wave.volts, rate, self.tone_hz)
                at_hz = float(fit.frequency_hz.nominal_value)
        seen = output_state(
            wave.volts,
            rate,
            self.tone_hz if at_hz is None else at_hz,
            gain=wave.gain,
            offset_v=wave.offset_v,
            clipped=wave.clipped,
        )
        if known is None and at_hz is not None and _steady(seen):
            self._frequency_hz[channel] = at_hz
        return seen

    def _there(self, channel: str, wave: Waveform) -> bool:
        return wave.rms_v > SEEN * self.levels[channel] * self.drive.gain[channel]

    def _rests(self, channel: str, seen: OutputState) -> bool:
        """Whether an output shows the tone all through a look, within its range: in one that a
        relay closed in, its parts differ."""
        return _steady(seen) and not seen.clipped and self.heard(channel, seen)

    def heard(self, channel: str, seen: OutputState) -> bool:
        """Whether a look has shown the tone."""
        wanted = SEEN * self.levels[channel] * self.drive.gain[channel]
        return float(seen.tone_v.nominal_value) > wanted

    def changes(
        self, before: Mapping[str, OutputState], now: Mapping[str, OutputState]
    ) -> dict[str, Bounded]:
        """What has changed at every output between two looks, V."""
        moved = still_share(self.ctx.view, self._volts)
        dc = self.drive.coupling == "DC"
        return {c: change_v(before[c], now[c], moved, dc=dc) for c in self.drive.channels}

    def stop(self) -> None:
        """Outputs off."""
        self.drive.stop()


def _steady(seen: OutputState) -> bool:
    """Whether the parts of a look have the same tone."""
    return float(seen.tone_v.std_dev) < STEADY * float(seen.tone_v.nominal_value)


def silent_to_begin_with(channel: str) -> str:
    """In words: nothing shows that there is anything to change."""
    return f"no tone at out.{channel} to begin with: an open relay, or a lead that has come off"


def still_share(view: BenchView, volts: float = QUIET_V) -> float:
    """Relative standard uncertainty of a tone on one range beside the same a moment ago: a part of
    what gains may be off by; offsets of range and level are in both."""
    level = volts / math.pow(10.0, view.unit.gain / 20.0)
    return MOVED * math.hypot(scope_share(view, volts), share(view, "generator", "level", level))


def quiet_needs(view: BenchView, channels: Iterable[str], seconds: float) -> Needs:
    """What a step needs that looks at a quiet tone, DC and all."""
    watts = LOUDEST_V**2 / view.unit.rated_load
    needs = drive_needs(view, channels, watts, seconds=seconds)
    points = needs.record.points if needs.record else 0
    return Needs(
        roles=needs.roles,
        hookups=needs.hookups,
        seconds=seconds,
        load_power_w=needs.load_power_w,
        live=True,
        record=ScopeRecord(points, peak_v=ROOM_V, dc=True),
    )


def change_forecast(view: BenchView, volts: float = QUIET_V) -> Forecast:
    """Of a change, V: by the steps of the converter on that range, and what gains have moved by."""
    scope = view.drivers[view.key("scope")].scope
    assert scope is not None, "drivers are checked when they are read"
    room_v = ROOM_V + 2.0 * (volts - QUIET_V)
    lsb = 2.0 * room_v * (1.0 + scope.headroom) / 2.0**scope.bits
    u = math.hypot(lsb / math.sqrt(12.0), volts * still_share(view, volts))
    return Forecast(lsb, COVERAGE_FACTOR * u, floor=lsb, better=BETTER_SCOPE)
