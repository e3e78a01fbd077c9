"""Proof of contact: before a reading near zero may pass, its lead has shown that it is there.

A clip that has come off, a hookup that was confirmed and not made, and an output relay that is open
all read a perfect zero. So a small tone at the input has to arrive through the very leads that the
reading is made with, since they were put there and the unit was powered; a tone that some other
step saw through them counts. Where no tone can be given, the operator is asked to look. After the
reading the tone has to arrive once more: a lead that has come off since it was seen shows nothing
either. A probe on a rail shows the rail's own DC.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Literal

from seqrun.errors import InstrumentRefused, NotMeasured, UsageError
from seqrun.plan.context import Context
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.steps.common.drive import across
from seqrun.steps.common.generator_reach import least_level

#: the rule in words, for the quantities that it is about
BY_TONE = (
    "A tone seen through the same lead since it was put there, or an operator who looks; and once "
    "more after the reading."
)
BY_DC = "The rail's own DC voltage, seen through the same lead after the reading."
#: a rail shows at least this share of its rated voltage, whatever it is raised to
RAIL_SEEN = 0.25
TONE_HZ = 1000.0
TONE_V = 1.0  # rms at the output, by the gain of the unit sheet: an eighth of a watt into 8 Ω
#: the tone has arrived when the point has become this much louder with it, and by this much
LOUDER = 3.0
LEAST_V = 0.02
#: what a tone is to make across a ballast resistor at least, V rms; and how much of what its device
#: is taken to carry shows that the leads are there: class A or B, neighbours that do not share
BALLAST_V = 0.003
PART = (0.2, 5.0)
#: a meter's AC function takes up to seconds to follow (common practice)
AT_MOST_S = 6.0


def output_channel(view: BenchView, at: str) -> str:
    """The channel at whose output a point is; "" for other points, where a tone proves nothing."""
    kind, _, channel = at.partition(".")
    channel = channel.partition(".")[0]
    return channel if kind == "out" and channel in view.unit.channels else ""


def channels_proved(view: BenchView, at: str) -> tuple[str, ...]:
    """The same for a step's needs."""
    channel = output_channel(view, at)
    return (channel,) if channel else ()


def prove_contact(
    ctx: Context,
    at: str,
    hookup: Hookup,
    rms_v: Callable[[], float],
    *,
    again: bool = False,
    looks: bool = True,
) -> None:
    """See that the leads of a hookup are on an output, and the output's relay closed.

    Other points prove nothing here: what is read there is not good for being near zero.

    Args:
        at: the point.
        rms_v: reads it through these leads, V rms without DC.
        again: after a reading: what was seen before it does not count. Where no tone can be given
            at all, that somebody looked before it does.
        looks: somebody is asked to look where no tone arrives.

    Raises:
        NotMeasured: nothing shows that the leads are there.
    """
    channel = output_channel(ctx.view, at)
    if not channel:
        return
    if ctx.in_contact(hookup) and not (again and _can_be_driven(ctx, channel)):
        return
    if again and not ctx.tone_path_known:
        return  # another input is chosen than the tone is on: what was seen before counts
    why = _by_tone(ctx, channel, rms_v)
    if why and not (looks and ctx.ask_contact(hookup, why)):
        raise NotMeasured(
            f"nothing shows that the lead is on {at}: {why}",
            expected="a tone through the same lead, or an operator who looks",
            where=at,
            hint="see to the lead, the output relay, and the generator at the input",
        )
    ctx.contact_seen(hookup)


def prove_rail(ctx: Context, at: str, dc_v: Callable[[], float]) -> None:
    """See that a probe is on a rail: by the rail's own voltage.

    Other points prove nothing here.

    Args:
        at: the point.
        dc_v: reads its DC through the same lead, V.

    Raises:
        NotMeasured: there is no rail at the end of the lead.
    """
    unit = ctx.view.unit
    rated = unit.rail_voltage if at in ctx.view.rails else None
    rated = unit.standby_voltage if at == "standby" else rated
    if rated is None:
        return
    volts = abs(dc_v())
    if not volts >= RAIL_SEEN * rated:
        there, wanted = render(volts, "V", digits=2), render(rated, "V")
        raise NotMeasured(
            f"nothing shows that the lead is on {at}: it shows {there} of DC",
            expected=f"about {wanted} of DC beside what is read",
            where=at,
            hint="see to the probe's tip and clip",
        )


def prove_ballast(ctx: Context, at: str, read: str) -> None:
    """See that the meter is across a ballast resistor: by the share of a small tone that flows
    through its device. A lead that is off shows nothing of it, or all that is at the output.

    A device that is open carries no tone either: then somebody has to look. Where no tone can be
    given, or the meter hears none, nothing is asked; nor without a load, which takes the current,
    nor where a hand would have to set and read all this at one device after another: it is there.

    Args:
        at: the point, ``"ballast.left.upper.1"``.
        read: what was read there, in words.

    Raises:
        NotMeasured: nothing shows that the leads are there.
    """
    view, unit = ctx.view, ctx.view.unit
    channel = at.split(".")[1]
    hears = view.drivers[view.key("meter")].can("configure_ac_voltage")
    driven = ctx.tone_path_known and ctx.load_is_on(channel) and _can_be_driven(ctx, channel)
    if not (hears and driven) or view.by_hand("generator") or view.by_hand("meter"):
        return
    share = 0.5 * unit.ballast / (unit.rated_load * unit.output_devices * unit.paralleled)
    volts = min(BALLAST_V / share, 0.25 * unit.rated_voltage)
    level = volts / math.pow(10.0, unit.gain / 20.0)
    if level < least_level(view):
        return
    expected, hookup = volts * share, view.meter_across(at)
    output, generator, meter = view.generator_on(channel), ctx.generator, ctx.meter
    meter.configure("ac_voltage", PART[1] * expected, 1.0)
    quiet = meter.read_raw()
    generator.sine(output, TONE_HZ, level)
    generator.enable(output, True)

    def heard() -> bool | None:
        part = math.sqrt(max(meter.read_raw() ** 2 - quiet**2, 0.0)) / expected
        return True if PART[0] < part < PART[1] else None

    try:
        ctx.wait_until(heard, every_s=0.5, at_most_s=0.5 * AT_MOST_S, what=f"a tone at {at}")
    except NotMeasured:
        why = f"{read} at {at}, and nothing of a tone in out.{channel}"
        if not ctx.see_on(why, hookup):
            raise NotMeasured(
                f"nothing shows that the leads are on {at}: {why}",
                expected="its share of a tone, or somebody who looks",
                where=at,
                hint="see to both leads; an open device carries no tone either",
            ) from None
    finally:
        generator.enable(output, False)
    ctx.contact_seen(hookup)


def seen_through(
    ctx: Context, hookup: Hookup
) -> tuple[Callable[[], float], Callable[[], float]] | None:
    """What reads the AC (V rms) and the DC (V) between the leads of a hookup of the scope or the
    meter; None for leads of others."""
    view = ctx.view
    first = [terminal.partition(".") for terminal, _ in hookup.leads]
    keys = {key for key, _, _ in first}
    if view.has("meter") and keys == {view.key("meter")} and len(first) == 2:

        def by_meter(function: Literal["ac_voltage", "dc_voltage"]) -> float:
            ctx.meter.configure(function, None, 1.0)
            return ctx.meter.read_raw()

        return partial(by_meter, "ac_voltage"), partial(by_meter, "dc_voltage")
    if not (view.has("scope") and keys == {view.key("scope")}):
        return None
    hot, *cold = (int(number) for _, _, number in first)

    def dc_v() -> float:
        got = ctx.scope.acquire(
            {hot: 1.2 * view.unit.rail_voltage},
            sample_rate_hz=50.0 * TONE_HZ,
            points=min(5000, ctx.scope.max_points),
            coupling="DC",
        )
        return float(got.volts[hot].mean())

    return partial(loudness_at, ctx, hot, cold[0] if cold else None), dc_v


def loudness_at(ctx: Context, hot: int, cold: int | None) -> float:
    """What the scope sees between two probe tips, V rms without DC, on a range for the tone."""
    got = ctx.scope.acquire(
        dict.fromkeys([n for n in (hot, cold) if n is not None], 3.0 * TONE_V),
        sample_rate_hz=50.0 * TONE_HZ,
        points=min(5000, ctx.scope.max_points),
        coupling="AC",  # the terminals of a bridge rest at half of a rail
    )
    return across(got, hot, cold).rms_v


def _can_be_driven(ctx: Context, channel: str) -> bool:
    try:
        ctx.view.generator_on(channel)
    except UsageError:
        return False
    return True


def _by_tone(ctx: Context, channel: str, rms_v: Callable[[], float]) -> str:
    """Give a tone and see it arrive; "" when it does, else why not."""
    view = ctx.view
    try:
        output = view.generator_on(channel)
    except UsageError as missing:
        return missing.found
    level = TONE_V / math.pow(10.0, view.unit.gain / 20.0)
    if level < least_level(view):
        least = render(least_level(view), "V", digits=3)
        return f"the generator gives no less than {least}, too much for this tone"
    generator = ctx.generator
    try:
        quiet = rms_v()
    except InstrumentRefused as deaf:
        return f"{deaf.where or 'it'} {deaf.found}"
    heard = quiet

    def arrived() -> bool | None:
        nonlocal heard
        heard = rms_v()
        return True if heard > LOUDER * quiet + LEAST_V else None

    generator.sine(output, TONE_HZ, level)
    generator.enable(output, True)
    try:
        ctx.wait_until(arrived, every_s=0.2, at_most_s=AT_MOST_S, what=f"a tone at out.{channel}")
    except NotMeasured:
        tone, there = render(TONE_V, "V"), render(heard, "V", digits=2)
        return f"a tone of about {tone} at out.{channel} is not seen through it ({there})"
    finally:
        generator.enable(output, False)
    return ""
