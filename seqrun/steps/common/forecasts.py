"""What the bench's accuracy tables let a driven or a listening step hope for, before any power.

Each function gives a :class:`~seqrun.plan.needs.Forecast` from files alone; the budget of the real
reading is made when it is read.
"""

from __future__ import annotations

import math

from seqrun.errors import SeqrunError
from seqrun.files.sequence.fields import StepFields
from seqrun.measure.bounds import PHASOR_KNOWN
from seqrun.measure.weighting import BAND_HZ
from seqrun.plan.needs import Forecast
from seqrun.plan.view import BenchView
from seqrun.steps.common.dirt import load_u_share, probes
from seqrun.values import COVERAGE_FACTOR

DB_PER_SHARE = 20.0 / math.log(10.0)  # 1 % is 0.087 dB
#: of what scope and generator may be off: by so much they may have changed from one reading to the
#: next, with their own warmth (our own choice)
MOVED = 0.1
SWITCHING_S = 0.1  # what a supply takes to switch its outputs off, about
BETTER_SCOPE = "a scope of better gain accuracy"
BETTER_METER = "by = 'meter', or instruments of better accuracy"


def near_limit(step: StepFields, view: BenchView, otherwise: float) -> float:
    """The value that the step's limit is about, when the unit sheet tells it."""
    if step.limit is None:
        return otherwise
    for side in reversed(step.limit.sides):
        if side is None:
            continue
        try:
            value = side.evaluate_in(step.unit, view.unit.names())
        except SeqrunError:
            continue
        if value != 0.0:
            return value
    return otherwise


def share(view: BenchView, role: str, function: str, value: float) -> float:
    """Relative standard uncertainty of a reading by its accuracy table, offset left out."""
    row = view.drivers[view.key(role)].row(function, value)
    return row.gain / math.sqrt(3.0)


def scope_share(view: BenchView, volts: float) -> float:
    """Relative standard uncertainty of an rms by the scope, its probe included."""
    probe = view.bench.dirt.probe_ratio if max(probes(view).values(), default=1.0) > 1.0 else 0.0
    return math.hypot(share(view, "scope", "voltage", volts), probe / math.sqrt(3.0))


def power_share(view: BenchView, watts: float) -> float:
    """Relative standard uncertainty of a power by scope and load."""
    volts = math.sqrt(watts * view.unit.rated_load)
    return math.hypot(2.0 * scope_share(view, volts), load_u_share(view, watts))


def idle_drift_u(view: BenchView) -> float:
    """Standard uncertainty of how an idle current has drifted, A, when it did by a fifth.

    The ballast resistor is the same, hot and cold, so that only the drift carries its tolerance.
    """
    unit = view.unit
    u_volts = view.standard_uncertainty("meter", "dc_voltage", unit.idle_current * unit.ballast)
    u_amperes = unit.idle_current * unit.ballast_tolerance / math.sqrt(3.0)
    dirt = view.bench.dirt
    drift = 0.2 * math.hypot(u_amperes, u_volts / unit.ballast)
    emf = math.sqrt(2.0) * dirt.thermal_emf / unit.ballast
    warm = unit.idle_current * dirt.ballast_per_kelvin * 0.5 * unit.sink_rise_limit
    return math.hypot(drift, emf / math.sqrt(3.0), warm / math.sqrt(3.0))


def gain_share(view: BenchView, watts: float) -> float:
    """Relative standard uncertainty of an output by the scope over the generator's set level."""
    volts = math.sqrt(watts * view.unit.rated_load)
    level = volts / math.pow(10.0, view.unit.gain / 20.0)
    ends = (("scope", "voltage", volts), ("generator", "level", level))
    return math.hypot(*(view.standard_uncertainty(*end) / end[2] for end in ends))


def moved_share(view: BenchView, watts: float) -> float:
    """Relative standard uncertainty of one output beside the same a while ago: what both readings
    have in common cancels, and what scope and generator have moved by is left."""
    return MOVED * gain_share(view, watts)


def watched(every_s: float, better: str, moment_s: float = 0.0) -> Forecast:
    """Of the time until something is seen that is looked for every so often, s.

    Args:
        moment_s: how long what it counts from takes, such as switching a supply off.
    """
    halves = (0.5 * every_s, 0.5 * moment_s)
    spread = COVERAGE_FACTOR * math.hypot(*(half / math.sqrt(3.0) for half in halves))
    return Forecast(0.0, spread, better=better)


def supply_current(view: BenchView, amperes: float) -> Forecast:
    """Of the current of a rail by the supply's own read-back, A."""
    u = view.standard_uncertainty("supply", "readback_current", amperes)
    better = "a meter in the rail instead of the read-back"
    return Forecast(amperes, COVERAGE_FACTOR * u, better=better)


def quiet_volts(step: StepFields, view: BenchView) -> Forecast:
    """Of an rms at a quiet point, V: its floor is the converter's step on the smallest range."""
    scope = view.drivers[view.key("scope")].scope
    assert scope is not None, "drivers are checked when they are read"
    probe = max(view.bench.instrument[view.key("scope")].probe, default=1.0)
    step_v = min(scope.ranges) * probe / 2.0**scope.bits
    value = near_limit(step, view, 1e-3)
    return Forecast(
        value,
        COVERAGE_FACTOR * value * scope_share(view, value),
        floor=step_v / math.sqrt(12.0),
        better="a probe of less attenuation, or a scope of more bits",
    )


def distortion_share(view: BenchView, floor: float, noisy: bool) -> tuple[float, float]:
    """Least distortion that the bench can tell from none, and the U of one near it (ratios)."""
    scope = view.drivers[view.key("scope")].scope
    assert scope is not None, "drivers are checked when they are read"
    least = floor
    if noisy:
        # A quantiser's noise against a sine that fills most of it (IEEE 1241), over its band.
        rate = 100e3
        noise = 10.0 ** -((6.02 * scope.bits + 1.76) / 20.0) * 1.2
        least = math.hypot(floor, noise * math.sqrt(2.0 * BAND_HZ[1] / rate))
    # A phasor of that length and of any phase: see measure.bounds.
    return least, COVERAGE_FACTOR * PHASOR_KNOWN * floor


def decibels(u_share: float, value_db: float, better: str) -> Forecast:
    """Of a ratio in dB with this relative standard uncertainty."""
    return Forecast(value_db, COVERAGE_FACTOR * DB_PER_SHARE * u_share, better=better)
