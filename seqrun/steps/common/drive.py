"""Driving the unit and looking at its outputs: what the audio and the soak steps share."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured, UsageError, WaitedInVain
from seqrun.instruments.roles import Capture
from seqrun.measure.power import (
    check_load_present,
    power_into_load,
    supply_power,
    true_rms,
)
from seqrun.plan.context import Context
from seqrun.plan.needs import Hookup, Needs, ScopeRecord
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.steps.common.dirt import heat_of, load_at, load_ohms
from seqrun.steps.common.generator_reach import least_level, most_level
from seqrun.steps.common.level_search import lower_level, next_level

#: room above the expected peak, so that a unit slightly above its gain does not clip the converter
HEADROOM = 1.15
CYCLES = 100
SAMPLES_PER_CYCLE = 200
#: what a level cannot do without: its scatter comes from parts of the record that hold a few cycles
#: each, and a harmonic is not to fall on the tone
LEAST_CYCLES, LEAST_PER_CYCLE = 32, 25
SEARCH_S = 0.5  # of a record while a level is searched for, where that is cycles enough
#: a tone has arrived at an output when it has this share of what was expected, and this many V rms
SEEN = 0.3
SEEN_V = 0.05
#: where a channel may have lost bass or treble, outside these, and where it has not played before,
#: a tone has gone when it has less than this share of what is expected: what an open lead picks up
#: is far less, and a channel that has lost gain gives more
MIDDLE_HZ, GONE_BESIDE = (300.0, 3000.0), 0.01
FOLLOWS_S = 20.0  # as long is waited for a coupling to AC
#: a level is near enough when the power is within this share of the wanted one
NEAR = 0.02
#: how much less power than wanted a channel that shares its level may get before it is told
UNLIKE = 0.1
#: how far apart the levels of two channels begin, so that crossed channels show themselves
APART = 0.8
#: an output follows another input when it does so this closely, and its own by no better than that
FOLLOWS, STRAYS = 0.04, 0.12
LEVEL_ROOM = 1.0 + 1e-9  # rounding


@dataclass(frozen=True, slots=True)
class Waveform:
    """The voltage across one output: volts (shape (points,)), its time step, and what the scope's
    accuracy makes of it. ``gain`` has mean 1 and ``offset_v`` mean 0."""

    volts: NDArray[np.float64]
    dt_s: float
    lsb_v: float
    clipped: bool
    gain: UFloat
    offset_v: UFloat

    @property
    def rms_v(self) -> float:
        """rms of all that is not DC, V, without budget."""
        return float(np.std(self.volts))


def across(got: Capture, hot: int, cold: int | None) -> Waveform:
    """What a capture holds between two probe tips (``cold`` None: between one and ground)."""
    if cold is None:
        return Waveform(
            got.volts[hot],
            got.dt_s,
            got.lsb_v[hot],
            got.clipped[hot],
            got.gain[hot],
            got.offset_v[hot],
        )
    # A bridged output is the difference of two probes, each with its own gain error.
    return Waveform(
        got.volts[hot] - got.volts[cold],
        got.dt_s,
        math.hypot(got.lsb_v[hot], got.lsb_v[cold]),
        got.clipped[hot] or got.clipped[cold],
        0.5 * (got.gain[hot] + got.gain[cold]),
        got.offset_v[hot] - got.offset_v[cold],
    )


def drive_needs(
    view: BenchView,
    channels: Iterable[str],
    watts: float,
    *,
    seconds: float,
    points: int = LEAST_CYCLES * LEAST_PER_CYCLE,
) -> Needs:
    """What a step needs that drives ``watts`` into the loads of all ``channels`` at once.

    Args:
        points: of the shortest record that it can do with.
    """
    if not 0.0 <= watts < math.inf:
        raise UsageError(f"a power of {watts:g} W into a load", expected="a power above zero")
    hookups: list[Hookup] = []
    peak = 0.0
    channels = tuple(channels)
    driven = dict.fromkeys(c for channel in channels for c in view.driven_with(channel))
    for channel in channels:
        volts = math.sqrt(2.0 * watts * view.load(channel).resistance)
        peak = max(peak, HEADROOM * volts * (0.75 if view.unit.bridged else 1.0))
        hookups.append(view.scope_on(f"out.{channel}")[2])
    return Needs(
        roles=frozenset({"generator", "scope", "supply"}),
        hookups=tuple(hookups),
        seconds=seconds,
        load_power_w=dict.fromkeys(driven, watts),
        live=True,
        record=ScopeRecord(points, peak_v=peak),
    )


def recorded(needs: Needs, rate_hz: float, least_s: float, filtered_hz: float = 0.0) -> Needs:
    """The same needs, of a step that also takes records of at least so many seconds.

    Args:
        filtered_hz: as of :class:`~seqrun.plan.needs.ScopeRecord`.
    """
    record = needs.record or ScopeRecord(0)
    points = max(record.points, math.ceil(rate_hz * least_s - 1e-6))
    return replace(
        needs, record=replace(record, points=points, rate_hz=rate_hz, filtered_hz=filtered_hz)
    )


def record_of(cycles: int, per_cycle: int, most: int) -> tuple[int, int]:
    """Cycles, and samples in each, of a record as wanted; where the scope keeps no more than
    ``most`` samples, as many of both as go in."""
    if cycles * per_cycle <= most:
        return cycles, per_cycle
    dense = int(per_cycle * math.sqrt(most / (cycles * per_cycle)))
    per_cycle = min(per_cycle, max(LEAST_PER_CYCLE, dense))
    return max(1, most // per_cycle), per_cycle


def refuse_crossed(
    before: dict[str, tuple[float, float]], after: dict[str, tuple[float, float]]
) -> None:
    """See that no output follows another channel's input: a search of levels would never end.

    Args:
        before, after: generator level and output of each channel at two turns of a search, V rms;
            0 for an output that was beyond the scope's range.

    Raises:
        NotMeasured: an output has changed as another channel's level did, not as its own.
    """
    levels = {c: math.log(after[c][0] / b[0]) for c, b in before.items() if b[0] > 0.0}
    for channel, own in levels.items():
        if not min(before[channel][1], after[channel][1]) > 0.0:
            continue
        seen = math.log(after[channel][1] / before[channel][1])
        for other, its in levels.items():
            if other != channel and abs(seen - its) < FOLLOWS and abs(seen - own) > STRAYS:
                raise NotMeasured(
                    f"the other channel answers: out.{channel} follows the level at in.{other}",
                    expected=f"out.{channel} to follow in.{channel}",
                    where=f"out.{channel}",
                    hint="crossed leads at generator, probes or loads, or crossed inside the unit",
                )


class Drive:
    """A sine into every channel's input, and the scope on every channel's output.

    Levels are the generator's, V rms. The generator is off until :meth:`set`. Channels that one
    output of the generator feeds, through a splitter, have one level: the lowest that is asked for
    them, so that no load gets more power than was meant for it.
    """

    def __init__(
        self, ctx: Context, frequency_hz: float, channels: Iterable[str] | None = None
    ) -> None:
        self.ctx = ctx
        self.frequency_hz = frequency_hz
        self.channels = tuple(ctx.view.unit.channels if channels is None else channels)
        self.outputs = {c: ctx.view.generator_on(c) for c in self.channels}
        self.probes = {c: ctx.view.scope_on(f"out.{c}")[:2] for c in self.channels}
        self.gain = dict.fromkeys(self.channels, math.pow(10.0, ctx.view.unit.gain / 20.0))
        self.levels = dict.fromkeys(self.channels, 0.0)
        #: of a bridge: which share of what is expected between its terminals one of them may have
        self.leg_room = dict.fromkeys(self.channels, 0.75)
        #: by channel, the most of what was expected that it has given so far, up to all of it
        self._has_given: dict[str, float] = {}
        self.guessed: set[str] = set()  # channels whose gain was taken to be more than was seen
        #: channels by the output of the generator that feeds them
        self.fed = {
            output: tuple(c for c, n in self.outputs.items() if n == output)
            for output in self.outputs.values()
        }
        self.most_level = most_level(ctx.view)
        self.least_level = least_level(ctx.view)
        self.crest = math.sqrt(2.0)  # peak over rms of what it drives
        self.beside: NDArray[np.float64] | None = None
        self._on = False

    @property
    def coupling(self) -> Literal["AC", "DC"]:
        """Of the probes: the terminals of a bridge on a single rail rest at half of it."""
        unit = self.ctx.view.unit
        return "AC" if unit.bridged and unit.rails == "single" else "DC"

    def _tell_unlike(self, powers: dict[str, float], watts: float) -> None:
        """Channels of one level may differ in gain: say which gets how much less."""
        for channel, power in powers.items():
            if power < (1.0 - UNLIKE) * watts:
                self.ctx.say(
                    f"out.{channel} gets {power:.3g} W and not {watts:.3g} W: one generator output "
                    f"feeds {' and '.join(f'in.{c}' for c in self.alike(channel))}, "
                    "and their gains differ"
                )

    def level_for(self, channel: str, watts: float) -> float:
        """Generator level for a power into the channel's load, by the gain known so far."""
        return math.sqrt(watts * load_ohms(self.ctx, channel)) / self.gain[channel]

    def set(self, levels: dict[str, float]) -> None:
        """Set the level of each channel, V rms, and switch the outputs on.

        Raises:
            NotMeasured: a generator does not give so much, or so little. None of the levels is
                set then.
        """
        for channel, level in levels.items():
            lowest = min(levels.get(c, level) for c in self.alike(channel))
            if 0.0 < level < self.least_level:
                raise NotMeasured(
                    f"{level:.3g} V would have to go in for what is wanted at out.{channel}, and "
                    f"the generator gives no less than {self.least_level:.3g} V",
                    expected="a generator of smaller levels, or a divider behind it",
                    where=f"out.{channel}",
                )
            if lowest > LEVEL_ROOM * self.most_level:
                raise NotMeasured(
                    f"{lowest:.3g} V would have to go in for what is wanted at out.{channel} at "
                    f"{self.frequency_hz:.4g} Hz, and the generator gives {self.most_level:.3g} V",
                    expected="an output that follows its input as the sheet's gain says, or a "
                    "generator of more level",
                    where=f"out.{channel}",
                )
        for output, channels in self.fed.items():
            asked = [levels[c] for c in channels if c in levels]
            if asked and min(asked) != self.levels[channels[0]]:
                self.put(output, min(asked))
                self.levels.update(dict.fromkeys(channels, min(asked)))
        if not self._on:
            for output in self.fed:
                self.ctx.generator.enable(output, True)
            self._on = True
        self._warm()

    def _warm(self) -> None:
        """What goes into the loads from now on, by the gains known so far: they warm by it."""
        now = self.ctx.clock.now()
        for channel in self.channels:
            volts = self.levels[channel] * self.gain[channel] if self._on else 0.0
            watts = volts * volts / load_ohms(self.ctx, channel)
            heat_of(self.ctx, channel).put(now, watts)

    def alike(self, channel: str) -> tuple[str, ...]:
        """The channels that have one level with a channel, itself among them."""
        return self.fed[self.outputs[channel]]

    @property
    def turns(self) -> Iterator[tuple[str, ...]]:
        """Channels whose levels can be searched at the same time: all of them, or one after
        another where they have one level."""
        for turn in range(max(len(channels) for channels in self.fed.values())):
            yield tuple(c[turn] for c in self.fed.values() if turn < len(c))

    def put(self, output: int, level: float) -> None:
        """Set one output of the generator to a level, V rms: a sine, unless a kind of drive puts
        out something else."""
        self.ctx.generator.sine(output, self.frequency_hz, level)

    def retune(self, frequency_hz: float) -> None:
        """Another frequency at the levels that are set."""
        self.frequency_hz = frequency_hz
        for output, channels in self.fed.items():
            self.put(output, self.levels[channels[0]])

    def terminate(self) -> None:
        """Outputs on at no level: the generator as nothing but the termination of the inputs."""
        for output in self.fed:
            self.put(output, 0.0)
        self.levels = dict.fromkeys(self.channels, 0.0)
        self.set({})

    def stop(self) -> None:
        """Outputs off."""
        for output in self.fed:
            self.ctx.generator.enable(output, False)
        self._on = False
        self._warm()

    def capture(
        self,
        *,
        peak_v: float | None = None,
        cycles: int = CYCLES,
        per_cycle: int = SAMPLES_PER_CYCLE,
        rate_hz: float | None = None,
        points: int | None = None,
        trigger: int | None = None,
        beside: int | None = None,
        may_be_silent: bool = False,
        must_play: bool = False,
    ) -> dict[str, Waveform]:
        """The output of every channel, captured together.

        Args:
            peak_v: largest |V| expected at an output; by default from level and gain.
            cycles, per_cycle: length and density of the record, in cycles of the drive.
            rate_hz, points: the same in samples per second and samples.
            trigger: a scope channel to wait for.
            beside: a further probe, captured on the largest range among them; it is kept in
                ``self.beside``.
            may_be_silent: an output that shows nothing is what the step waits for or looks at.
            must_play: what is read beside the tone is good when it is near nothing. The tone has to
                be there in this very record, or a lead has come off.
        """
        self.ctx.poll()
        peaks: dict[int, float] = {}
        for channel in self.channels:
            expected = self.levels[channel] * self.gain[channel] * self.crest
            hot, cold = self.probes[channel]
            peak = peak_v if peak_v is not None else max(HEADROOM * expected, 0.05)
            for probe in (hot, cold):
                if probe is not None:
                    peaks[probe] = peak if cold is None else self.leg_room[channel] * peak
        if beside is not None:
            peaks[beside] = max(peaks.values())
        cycles, per_cycle = record_of(cycles, per_cycle, self.ctx.scope.max_points)

        def record() -> Capture:
            return self.ctx.scope.acquire(
                peaks,
                sample_rate_hz=rate_hz or self.frequency_hz * per_cycle,
                points=points or cycles * per_cycle,
                coupling=self.coupling,
                trigger=trigger,
            )

        got = record()
        if not may_be_silent and self._at_its_end(got):
            got = self._followed(record, got)
        self.beside = got.volts[beside] if beside is not None else None
        if not may_be_silent:
            self._not_constant(got)
        waves = {channel: across(got, *probes) for channel, probes in self.probes.items()}
        if must_play:
            self._not_gone(waves)
        self._tell_contact(waves, may_be_silent)
        return waves

    def _at_its_end(self, got: Capture) -> bool:
        """Whether a coupling to AC has yet to follow the middle of a rail: a flat record, at the
        end of its range."""
        flat = (n for n, still in got.constant.items() if still and got.clipped.get(n))
        return self.coupling == "AC" and any(flat)

    def _followed(self, record: Callable[[], Capture], got: Capture) -> Capture:
        """A record once the coupling has followed, or the last one after :data:`FOLLOWS_S`."""

        def there() -> bool | None:
            nonlocal got
            got = record()
            return None if self._at_its_end(got) else True

        with suppress(WaitedInVain):
            self.ctx.wait_until(
                there, every_s=0.5, at_most_s=FOLLOWS_S, what="the scope's coupling to follow"
            )
        return got

    def _not_constant(self, got: Capture) -> None:
        """A driven output whose every sample is the same is no output: a channel that is off, or a
        record that was not refilled. Half of a bridge that is dead does stand still beside one
        that moves.

        Raises:
            NotMeasured: one is so.
        """
        for channel, probes in self.probes.items():
            there = [probe for probe in probes if probe]
            still = all(got.constant.get(probe) for probe in there)
            if self._on and self.levels[channel] and there and still:
                raise NotMeasured(
                    f"scope channel {there[0]} shows a constant while out.{channel} is driven",
                    expected="a record that moves with the tone",
                    where=f"out.{channel}",
                    hint="is the channel on, the probe's switch, the input's coupling?",
                )

    def _not_gone(self, waves: dict[str, Waveform]) -> None:
        """See that every output plays what it is driven to.

        Raises:
            NotMeasured: the tone has gone from one.
        """
        for channel, wave in waves.items():
            expected, rms = self.levels[channel] * self.gain[channel], wave.rms_v
            if rms < SEEN * expected:
                there, wanted = render(rms, "V", digits=2), render(expected, "V", digits=2)
                raise NotMeasured(
                    f"the tone has gone from out.{channel}: {there} where {wanted} were",
                    expected="the tone through the same lead as before",
                    where=f"out.{channel}",
                    hint="see to the probe and the generator's lead; has the output relay opened?",
                )

    def _tell_contact(self, waves: dict[str, Waveform], may_be_silent: bool) -> None:
        """A tone that arrives proves its probe's contact and a closed relay; one that has gone
        leaves both open, unless a control was turned that may have taken it away."""
        middle = MIDDLE_HZ[0] <= self.frequency_hz <= MIDDLE_HZ[1]
        for channel, wave in waves.items():
            expected = self.levels[channel] * self.gain[channel] if self._on else 0.0
            before = self._has_given.get(channel, 0.0)
            gone = max(SEEN * before, GONE_BESIDE) if middle else GONE_BESIDE
            if middle and expected > SEEN_V:
                self._has_given[channel] = max(before, min(wave.rms_v / expected, 1.0))
            hookup = self.ctx.view.scope_on(f"out.{channel}")[2]
            if expected > 0.0 and wave.rms_v > max(SEEN * expected, SEEN_V):
                self.ctx.contact_seen(hookup)
            elif may_be_silent or channel in self.guessed or not self.ctx.tone_path_known:
                continue
            elif expected > SEEN_V and wave.rms_v < gone * expected:
                self.ctx.contact_lost(hookup)

    def load(self, channel: str, watts: float = 0.0) -> UFloat:
        """The load of a channel with so much power in it, Ω, as measured where it was."""
        return load_at(self.ctx, channel, watts)

    def powers(self) -> dict[str, UFloat]:
        """Mean power into each load now, W."""
        waves = self.capture(must_play=True)
        return {channel: self.power_of(channel, wave) for channel, wave in waves.items()}

    def power_of(self, channel: str, wave: Waveform) -> UFloat:
        """Mean power of a captured waveform into the channel's load, W."""
        rms = true_rms(
            wave.volts,
            1.0 / wave.dt_s,
            self.frequency_hz,
            gain=wave.gain,
            clipped=wave.clipped,
        )
        watts = float(rms.nominal_value) ** 2 / load_ohms(self.ctx, channel)
        return power_into_load(rms, self.load(channel, watts))

    def check_load(self, powers: dict[str, UFloat]) -> None:
        """See that the power read at the outputs is drawn from the supply.

        Raises:
            NotMeasured: more power out than in: a load is missing, or is not what it should be.
        """
        supply = self.ctx.supply
        outputs = self.ctx.view.rails.values()
        drawn = supply_power(
            [supply.voltage(n) for n in outputs], [supply.current(n) for n in outputs]
        )
        if powers:
            check_load_present(None, drawn, sum(powers.values()))

    def _go_on(self, seen: Sequence[Mapping[str, tuple[float, float]]], watts: float) -> None:
        """Set the levels that should give the power, by what was seen of those before."""
        for channel in self.channels:
            wanted_v = self.level_for(channel, watts) * self.gain[channel]
            if seen[-1][channel][1] > 0.0:
                level = next_level([turn[channel] for turn in seen], wanted_v)
                self.gain[channel] = wanted_v / level  # what the range is chosen by
        self.set({c: self.level_for(c, watts) for c in self.channels})

    def to_power(
        self,
        watts: float,
        tries: int = 4,
        *,
        rate_hz: float | None = None,
        points: int | None = None,
    ) -> None:
        """Find the level that drives ``watts`` into each load.

        Args:
            tries: levels of which every output is seen whole; as many may be clipped by a range.
            rate_hz, points: of the records that it looks at; see :meth:`capture`.

        Raises:
            NotMeasured: when an output stays dead or the power cannot be reached.
        """
        shares = [0.5 * APART**n for n in range(len(self.channels))]
        self.set(
            {c: s * self.level_for(c, watts) for c, s in zip(self.channels, shares, strict=True)}
        )
        seen: list[dict[str, tuple[float, float]]] = []
        cycles = max(LEAST_CYCLES, min(CYCLES, round(SEARCH_S * self.frequency_hz)))
        while sum(all(rms for _, rms in turn.values()) for turn in seen) < tries:
            waves = self.capture(cycles=cycles, rate_hz=rate_hz, points=points)
            seen.append(
                {c: (self.levels[c], 0.0 if w.clipped else w.rms_v) for c, w in waves.items()}
            )
            if seen[1:]:
                refuse_crossed(*seen[-2:])
            powers: dict[str, float] = {}
            near = True
            for channel, wave in waves.items():
                rms = wave.rms_v
                level = self.levels[channel]
                if wave.clipped and len(seen) < 2 * tries:
                    # More gain than the sheet says, as with a preamplifier in front, or a bridge of
                    # which one half gives all: go down.
                    self.leg_room[channel] = 1.0
                    self.guessed.add(channel)
                    lower = lower_level([turn[channel] for turn in seen], level)
                    self.gain[channel] *= level / lower
                    near = False
                    continue
                if wave.clipped or rms < 0.1 * level * self.gain[channel]:
                    raise NotMeasured(
                        f"out.{channel} gives {rms:.3g} V for {level:.3g} V at the input",
                        expected=f"about {level * self.gain[channel]:.3g} V",
                        where=f"out.{channel}",
                    )
                self.gain[channel] = rms / level
                self.guessed.discard(channel)
                powers[channel] = rms * rms / load_ohms(self.ctx, channel)
            for channels in self.fed.values() if near else ():
                most = max(powers[c] for c in channels)
                near &= abs(most - watts) <= NEAR * watts
            if near:
                self._tell_unlike(powers, watts)
                return
            self._go_on(seen, watts)
        raise NotMeasured(f"{watts:.3g} W into each load was not reached in {tries} tries")
