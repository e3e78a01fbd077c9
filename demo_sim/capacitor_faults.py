"""Entries of the catalogue for units on a single rail, whose output goes through a capacitor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from demo_sim.amplifier.spec import ChannelSpec, OutputCapacitor
from demo_sim.bench_parts import BenchSpec
from demo_sim.errors import DemoError
from demo_sim.fault_requests import entry


def _capacitor(
    bench: BenchSpec,
    channel: str,
    fault: str,
    change: Callable[[ChannelSpec, OutputCapacitor], ChannelSpec],
) -> BenchSpec:
    """Change a channel by its output capacitor."""
    part = bench.amplifier.channel(channel).capacitor
    if part is None:
        raise DemoError(
            f"{fault} needs a unit with output capacitors",
            found="an output that is joined to its stage for DC as well",
            expected='rails = "single" and topology = "single_ended" in the unit sheet',
        )
    return replace(
        bench, amplifier=bench.amplifier.with_channel(channel, lambda c: change(c, part))
    )


def _changed(bench: BenchSpec, channel: str, fault: str, farads: float, leak: float) -> BenchSpec:
    """Its capacitance and the resistance across it times these."""

    def of(c: ChannelSpec, part: OutputCapacitor) -> ChannelSpec:
        changed = replace(part, farads=part.farads * farads, leak_ohm=part.leak_ohm * leak)
        return replace(c, capacitor=changed)

    return _capacitor(bench, channel, fault, of)


@entry("dried_output_capacitor", "a dried-out output capacitor: bass is lost", 0.7)
def _dried(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """It has lost its electrolyte: its capacitance falls exponentially with severity, to a
    hundredth at full severity."""
    return _changed(bench, channel, "dried_output_capacitor", 10.0 ** (-2.0 * severity), 1.0)


@entry("leaky_output_capacitor", "an output capacitor that leaks: DC at the terminals", 0.8)
def _leaky(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """It leaks: the resistance across it falls exponentially with severity, from 2 MΩ to 20 Ω at
    full severity; the stage's DC comes through it into the load."""
    return _changed(bench, channel, "leaky_output_capacitor", 1.0, 10.0 ** (-5.0 * severity))


@entry("midpoint_off", "the stage does not rest in the middle: one side clips early", 0.5)
def _midpoint(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A divider that sets the rest has drifted: the stage rests below the middle of its rail by
    severity · half of that middle, and clips so much earlier towards ground."""
    middle = 0.5 * bench.amplifier.rail_voltage
    return _capacitor(
        bench,
        channel,
        "midpoint_off",
        lambda c, part: replace(
            c,
            legs=tuple(
                replace(leg, offset_v=leg.offset_v - 0.5 * severity * middle) for leg in c.legs
            ),
        ),
    )
