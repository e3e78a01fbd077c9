"""Lines that no data sheet gives: what ``[dirt]`` of the bench file adds to a budget."""

from __future__ import annotations

import math

from uncertainties import UFloat

from seqrun.files.bench import Load
from seqrun.plan.context import Context
from seqrun.plan.view import BenchView
from seqrun.values import normal, rectangular

ROOM_C = 25.0  # where a part has the value on its label (common practice)
#: a passive ×10 probe passes from its resistors to its capacitors about here, Hz (from memory)
CROSSING_HZ = 2000.0
_LOAD = "load as measured "
_SINK, _AMBIENT = "sink now, °C", "ambient as read, °C"


def with_emf(ctx: Context, volts: UFloat) -> UFloat:
    """A DC reading with the thermal EMF of its clips and leads, another one at each hookup."""
    return volts + rectangular(
        0.0, ctx.view.bench.dirt.thermal_emf, "thermal EMF of leads and clips"
    )


def keep_load(ctx: Context, channel: str, ohms: UFloat) -> UFloat:
    """A load as it was just measured, with its own leads; kept for what is worked out from it."""
    name = ctx.view.load(channel).name
    leads = ctx.view.bench.dirt.load_leads
    found = ohms + rectangular(0.0, leads, f"load {name} leads", f"load {name}")
    ctx.keep(_LOAD + channel, found)
    return found


def load_ohms(ctx: Context, channel: str) -> float:
    """A load's resistance by the best that is known: as measured in this run, else by its label."""
    found = ctx.kept(_LOAD + channel)
    if isinstance(found, UFloat):
        return float(found.nominal_value)
    return ctx.view.load(channel).resistance


def load_at(ctx: Context, channel: str, watts: float = 0.0) -> UFloat:
    """A channel's load while so much power is in it, Ω; the same variables through the run.

    The measured value where this run has measured it, else what the bench file says; its warming
    in proportion to the power.
    """
    load, dirt = ctx.view.load(channel), ctx.view.bench.dirt
    found = ctx.kept(_LOAD + channel)
    if not isinstance(found, UFloat):
        found = ctx.persistent(f"load.{channel}", lambda: _by_label(load, dirt.load_leads))
    if watts <= 0.0 or not dirt.load_heating:
        return found
    heating = ctx.persistent(
        f"heating of load.{channel}",
        lambda: rectangular(
            dirt.load_heating,
            dirt.load_heating,
            f"load {load.name} heating at power",
            f"load {load.name} heating",
        ),
    )
    return found * (1.0 + heating * (watts / load.power))


def _by_label(load: Load, leads_ohm: float) -> UFloat:
    owner = f"load {load.name}"
    off = load.resistance * load.tolerance
    found: UFloat = rectangular(load.resistance, off, f"{owner} tolerance", owner)
    return found + rectangular(0.0, leads_ohm, f"{owner} leads", owner)


def load_u_share(view: BenchView, watts: float) -> float:
    """Relative standard uncertainty of a load at power, for forecasts."""
    shares = [0.0]
    for channel in view.unit.channels:
        load, dirt = view.load(channel), view.bench.dirt
        halves = (
            load.tolerance,
            dirt.load_leads / load.resistance,
            dirt.load_heating * watts / load.power,
        )
        shares.append(math.hypot(*halves))
    return max(shares) / math.sqrt(3.0)


def clip_moved(ctx: Context) -> UFloat:
    """What one clip that was taken off and put back may add, Ω; another each time."""
    return rectangular(0.0, ctx.view.bench.dirt.clip_contact, "contact of the clip that was moved")


def keep_temperature(ctx: Context, point: str, celsius: float) -> None:
    """What a sensor has shown, for parts that follow the heat."""
    if point == "sensor.sink":
        ctx.keep(_SINK, celsius)
    elif point == "sensor.ambient":
        ctx.keep(_AMBIENT, celsius)


def _kept(ctx: Context, key: str, otherwise: float) -> float:
    found = ctx.kept(key)
    return found if isinstance(found, float) else otherwise


def touching(ctx: Context, point: str, celsius: UFloat) -> UFloat:
    """A sensor's reading with how well it touches the heatsink; in the air nothing is added."""
    if point != "sensor.sink":
        return celsius
    rise = max(float(celsius.nominal_value) - _kept(ctx, _AMBIENT, ROOM_C), 0.0)
    name = ctx.view.sensor(point).name
    contact = ctx.persistent(
        f"contact of {point}",
        lambda: rectangular(
            0.0, ctx.view.bench.dirt.sensor_contact, f"sensor {name} contact",
            f"sensor {name} contact",
        ),
    )  # fmt: skip
    return celsius + rise * contact


def warmed(ctx: Context, point: str, ohms: UFloat) -> UFloat:
    """A ballast as warm as the heatsink is known to be (half its limit where nobody looked)."""
    unit = ctx.view.unit
    now = _kept(ctx, _SINK, ROOM_C + 0.5 * unit.sink_rise_limit)
    coefficient = ctx.persistent(
        f"heating of {point}",
        lambda: rectangular(
            0.0, ctx.view.bench.dirt.ballast_per_kelvin, f"{point} heating", f"{point} heating"
        ),
    )
    return ohms * (1.0 + coefficient * (now - ROOM_C))


def compensated(ctx: Context, at: str, level: UFloat, frequency_hz: float) -> UFloat:
    """A level through a probe whose compensation is off, against one at 1 kHz."""
    key, factors = ctx.view.key("scope"), probes(ctx.view)
    hot = ctx.view.scope_on(at)[0]
    half = ctx.view.bench.dirt.probe_compensation
    if factors.get(hot, 1.0) <= 1.0 or not half:
        return level
    name = f"probe {key}.{hot} compensation"
    error = ctx.persistent(name, lambda: rectangular(0.0, half, name, name))

    def over(f: float) -> float:
        return (f / CROSSING_HZ) ** 2 / (1.0 + (f / CROSSING_HZ) ** 2)

    return level * (1.0 + error * (over(frequency_hz) - over(1000.0)))


def own_leak(ctx: Context, loud: UFloat) -> UFloat | float:
    """What of a loud input a sound interface lets into the one beside it, V rms, of any phase."""
    sound = ctx.view.bench.sound
    if sound is None or ctx.view.drivers[ctx.view.key("scope")].sound is None:
        return 0.0
    leak = float(loud.nominal_value) * math.pow(10.0, sound.crosstalk / 20.0)
    return normal(0.0, leak / math.sqrt(2.0), "crosstalk of the sound interface")


def probes(view: BenchView) -> dict[int, float]:
    """Scope channel -> attenuation of its probe, as the bench file has it."""
    return dict(enumerate(view.bench.instrument[view.key("scope")].probe, 1))
