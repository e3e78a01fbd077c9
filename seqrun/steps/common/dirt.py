"""Lines that no data sheet gives: what ``[dirt]`` of the bench file adds to a budget."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from uncertainties import UFloat

from seqrun.files.bench.parts import Load
from seqrun.measure.distortion import Distortion
from seqrun.plan.context import Context
from seqrun.plan.view import BenchView
from seqrun.values import exactly, normal, rectangular

ROOM_C = 25.0  # where a part has the value on its label (common practice)
COLD_FOR_S = 600.0  # a unit that idles has hardly warmed its metal by then (common practice)
#: a passive ×10 probe passes from its resistors to its capacitors about here, Hz (from memory)
CROSSING_HZ = 2000.0
_LOAD, _HEAT = "load as measured ", "heat of load "
LOAD_S, QUICK = 60.0, 0.1
_SINK, _AMBIENT = "sink now, °C", "ambient as read, °C"


def with_emf(ctx: Context, volts: UFloat) -> UFloat:
    """A DC reading with the thermal EMF of its clips and leads, another one at each hookup."""
    return volts + rectangular(
        0.0, ctx.view.bench.dirt.thermal_emf, "thermal EMF of leads and clips"
    )


def by_two_wires(ctx: Context, ohms: UFloat, leads_told: bool = False) -> UFloat:
    """Ohms by two wires, less what the leads and clips of this hookup may have added; where the
    bench file tells the leads it is what a clip that was put back makes of them."""
    if leads_told:
        return ohms + clip_moved(ctx)
    half = 0.5 * ctx.view.bench.dirt.meter_contacts
    return ohms - rectangular(half, half, "contacts of the meter's clips")


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


@dataclass(slots=True)
class LoadHeat:
    """How warm a load is taken to be: the constant power that would have made it so, W.

    It follows the power in it with :data:`LOAD_S`, as the middle of what loads do (common practice:
    from half a minute to some minutes).
    """

    at_s: float
    watts: float = 0.0
    put_in: float = 0.0

    def look(self, now_s: float) -> float:
        """The equivalent power now."""
        left = math.exp(-max(now_s - self.at_s, 0.0) / LOAD_S)
        self.watts = self.put_in + (self.watts - self.put_in) * left
        self.at_s = now_s
        return self.watts

    def put(self, now_s: float, watts: float) -> None:
        """From now on so much goes in."""
        self.look(now_s)
        self.put_in = watts


def heat_of(ctx: Context, channel: str) -> LoadHeat:
    """The warmth of a channel's load through the run."""
    found = ctx.kept(_HEAT + channel)
    if not isinstance(found, LoadHeat):
        found = LoadHeat(ctx.clock.now())
        ctx.keep(_HEAT + channel, found)
    return found


def load_at(ctx: Context, channel: str, watts: float = 0.0) -> UFloat:
    """A channel's load while so much power is in it, Ω; the same variables through the run.

    The measured value where this run has measured it, else what the bench file says; its warming
    by what has gone into it so far, which may be nothing or twice as much, and a tenth of where
    this power would end, for a load that is quick.
    """
    load, dirt = ctx.view.load(channel), ctx.view.bench.dirt
    found = ctx.kept(_LOAD + channel)
    if not isinstance(found, UFloat):
        found = ctx.persistent(f"load.{channel}", lambda: _by_label(load, dirt.load_leads))
    warmth = heat_of(ctx, channel).look(ctx.clock.now()) / load.power
    if not dirt.load_heating or warmth <= 0.0 >= watts:
        return found
    label = f"load {load.name} heating"
    unknown = ctx.persistent(
        f"heating of load.{channel}",
        lambda: rectangular(0.0, dirt.load_heating, f"{label} at power", label),
    )
    spread = warmth + QUICK * watts / load.power
    return found * (1.0 + dirt.load_heating * warmth + unknown * spread)


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


def ambient_seen(ctx: Context) -> float | None:
    """What the sensor in the air has shown in this run, °C; None where it was not read."""
    found = ctx.kept(_AMBIENT)
    return found if isinstance(found, float) else None


def _kept(ctx: Context, key: str, otherwise: float) -> float:
    found = ctx.kept(key)
    return found if isinstance(found, float) else otherwise


def touching(ctx: Context, point: str, celsius: UFloat) -> UFloat:
    """A sensor's reading with what it loses by how it touches the heatsink; in the air nothing is
    added. It stands between metal and air, and so never shows more than the metal has: half of what
    it may lose is added, the other half may be there or not."""
    if point != "sensor.sink":
        return celsius
    rise = max(float(celsius.nominal_value) - _kept(ctx, _AMBIENT, ROOM_C), 0.0)
    name = ctx.view.sensor(point).name
    half = lost_share(ctx.view)
    contact = ctx.persistent(
        f"contact of {point}",
        lambda: rectangular(
            half, half, f"sensor {name} contact",
            f"sensor {name} contact",
        ),
    )  # fmt: skip
    return celsius + rise * contact


def lost_share(view: BenchView) -> float:
    """What a sensor on the heatsink is taken to lose of the rise, and by how much that may be off
    either way, as a fraction."""
    return 0.5 * view.bench.dirt.sensor_contact


def warmed(ctx: Context, point: str, ohms: UFloat) -> UFloat:
    """A ballast as warm as the heatsink is known to be. Where nobody looked, it is as warm as the
    room while the unit has just been powered, and later half as warm as it may become."""
    late = ctx.clock.now() - ctx.powered_at > COLD_FOR_S
    unseen = 0.5 * ctx.view.unit.sink_rise_limit if late else 0.0
    now = _kept(ctx, _SINK, _kept(ctx, _AMBIENT, ROOM_C) + unseen)
    coefficient = ctx.persistent(
        f"heating of {point}",
        lambda: rectangular(
            0.0, ctx.view.bench.dirt.ballast_per_kelvin, f"{point} heating", f"{point} heating"
        ),
    )
    return ohms * (1.0 + coefficient * (now - ROOM_C))


def compensated(ctx: Context, at: str, level: UFloat, frequency_hz: float) -> UFloat:
    """A level through a probe whose compensation is off, against one at 1 kHz."""
    return level * treble_felt(ctx, at, 1000.0, {frequency_hz: 1.0})


def treble_felt(ctx: Context, at: str, base_hz: float, squares: Mapping[float, float]) -> UFloat:
    """What the rms of several lines, against one at a base frequency, is multiplied by in a probe
    whose compensation is off: 1, as far as that is known.

    Args:
        squares: mean square of each line, by its frequency in Hz.
    """
    key, factors = ctx.view.key("scope"), probes(ctx.view)
    hot = ctx.view.scope_on(at)[0]
    half = ctx.view.bench.dirt.probe_compensation
    total = math.fsum(squares.values())
    if factors.get(hot, 1.0) <= 1.0 or not half or not total > 0.0:
        return exactly(1.0)
    name = f"probe {key}.{hot} compensation"
    error = ctx.persistent(name, lambda: rectangular(0.0, half, name, name))

    def over(f: float) -> float:
        return (f / CROSSING_HZ) ** 2 / (1.0 + (f / CROSSING_HZ) ** 2)

    mean = math.fsum(square * over(f) for f, square in squares.items()) / total
    return 1.0 + error * (mean - over(base_hz))


def harmonics_felt(ctx: Context, at: str, found: Distortion) -> UFloat:
    """The same for the harmonics of a tone."""
    squares = {h.frequency_hz: float(h.rms.value.nominal_value) ** 2 for h in found.harmonics}
    return treble_felt(ctx, at, found.fundamental_hz, squares)


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
