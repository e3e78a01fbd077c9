"""More faults that stand in no catalogue: what comes rarely, what both channels have alike, what
the path of every stage shares. As :mod:`neighbours`, whose list they join.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from neighbours import NEIGHBOURS, legs, neighbour

from demo_sim.amplifier.passing import Intermittent, Oscillation
from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec, LegSpec
from demo_sim.bench_parts import BenchSpec
from demo_sim.fault_requests import entry

Change = Callable[[AmplifierSpec, float], AmplifierSpec]


def unit_wide(name: str, summary: str) -> Callable[[Change], Change]:
    """Enter a change of the whole amplifier; at severity 1 it is as its summary says."""

    def put(change: Change) -> Change:
        def whole(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
            return replace(bench, amplifier=change(bench.amplifier, severity))

        whole.__doc__ = summary
        entry(name, summary, 1.0, channels=False)(whole)
        NEIGHBOURS.append(name)
        return change

    return put


def _all(unit: AmplifierSpec, change: Callable[[ChannelSpec], ChannelSpec]) -> AmplifierSpec:
    for name in unit.channel_names:
        unit = unit.with_channel(name, change)
    return unit


@neighbour("dips", "an eighth of the signal is lost for 10 s every minute")
def _dips(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, contact=Intermittent(60.0, 10.0, lost=0.12 * severity))


@neighbour("long_dips", "a fifth of the signal is lost for a minute every five")
def _long_dips(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, contact=Intermittent(300.0, 60.0, lost=0.2 * severity))


@neighbour("dc_wander", "80 mV of DC below ground for 5 s every 40 s")
def _dc_wander(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, kick=Intermittent(40.0, 5.0), kick_v=-0.08 * severity)


@neighbour("dc_click", "half a volt for 50 ms once a minute")
def _dc_click(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, kick=Intermittent(60.0, 0.05), kick_v=0.5 * severity)


@neighbour("loud_hum", "hum of 50 mV per ampere beyond 1 A of a rail")
def _loud_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, hum_per_a=0.05 * severity, hum_from_a=1.0))


@neighbour("cold_hum", "5 mV of hum, gone once the heatsink is past 32 °C")
def _cold_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    hums = replace(c, noise=replace(c.noise, hum_v=5e-3 * severity))
    return replace(hums, warm=lambda w: replace(w, noise=c.noise), warm_c=32.0)


@neighbour("bare_tips", "0.8 V at 500 kHz beyond 8 V as long as there is no load")
def _bare_tips(c: ChannelSpec, severity: float) -> ChannelSpec:
    ringing = Oscillation(0.8 * severity, 500e3, above_v=8.0, when="unloaded")
    return replace(c, oscillation=ringing)


@neighbour("faint_tips", "0.3 V at 2.5 MHz beyond 22 V")
def _faint_tips(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.3 * severity, 2.5e6, above_v=22.0))


@neighbour("half_way_oscillation", "0.5 V at 1.5 MHz between 5 and 8 V")
def _half_way(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.5 * severity, 1.5e6, above_v=5.0, below_v=8.0))


@neighbour("near_supersonic", "0.1 V at 25 kHz, with signal or not")
def _near_supersonic(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.1 * severity, 25e3, above_v=0.0))


def first_device(c: ChannelSpec, **changed: float) -> ChannelSpec:
    """A channel whose first upper device of each stage is another."""

    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, upper=(replace(leg.upper[0], **changed), *leg.upper[1:]))

    return legs(c, of)


@neighbour("wrong_ballast", "one device's ballast has 0.6 Ω")
def _wrong_ballast(c: ChannelSpec, severity: float) -> ChannelSpec:
    return first_device(c, ballast_ohm=0.6 * severity)


@unit_wide("slow_slew", "no stage is faster than 0.8 V/µs")
def _slow_slew(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, path=replace(unit.path, slew_v_per_s=0.8e6 / severity))


@unit_wide("weak_drivers", "no half of a stage gives more than 1.8 A")
def _weak_drivers(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, path=replace(unit.path, most_a=1.8 / severity))


@unit_wide("bent_path", "voltage amplifiers that bend, with little feedback")
def _bent_path(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, path=replace(unit.path, second=0.5 * severity, loop_gain=100.0))


@unit_wide("stays_charged", "nothing discharges the rails")
def _stays_charged(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, rails=replace(unit.rails, bleeder_ohm=2e6))


@unit_wide("both_inverted", "every channel's polarity is inverted")
def _both_inverted(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return _all(unit, lambda c: legs(c, lambda leg: replace(leg, gain=-leg.gain)))


@unit_wide("both_short_treble", "-3 dB at 15 kHz in every channel")
def _both_short_treble(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return _all(unit, lambda c: legs(c, lambda leg: replace(leg, pole_hz=15e3 / severity)))


@unit_wide("both_short_bass", "-3 dB at 120 Hz in every channel")
def _both_short_bass(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return _all(unit, lambda c: legs(c, lambda leg: replace(leg, low_cut_hz=120.0 * severity)))


@unit_wide("both_loud", "2 dB louder in every channel")
def _both_loud(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    factor = 10.0 ** (2.0 * severity / 20.0)
    return _all(unit, lambda c: legs(c, lambda leg: replace(leg, gain=leg.gain * factor)))


@unit_wide("both_oscillate", "1 V at 1 MHz beyond 12 V in every channel")
def _both_oscillate(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return _all(unit, lambda c: replace(c, oscillation=Oscillation(severity, 1e6)))


@unit_wide("both_crackle", "crackles of 100 mV, one in 20 s, in every channel")
def _both_crackle(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    def of(c: ChannelSpec) -> ChannelSpec:
        return replace(c, noise=replace(c.noise, crackle_v=0.1 * severity, crackle_every_s=20.0))

    return _all(unit, of)


@neighbour("late_protection", "the output relay lets go after 9 s of nearly rated power")
def _late_protection(c: ChannelSpec, severity: float) -> ChannelSpec:
    # Rated power of the demo's usual unit is 2.01 A mean, the eighth of it 0.71 A.
    return replace(c, relay=replace(c.relay, loud_a=1.9 / severity, loud_s=9.0))


@neighbour(
    "drowsy_protection", "it lets go after 5 s of half of rated power, and takes 9 s to close"
)
def _drowsy_protection(c: ChannelSpec, severity: float) -> ChannelSpec:
    relay = replace(c.relay, loud_a=1.35 / severity, loud_s=5.0, pull_in_s=9.0)
    return replace(c, relay=relay)
