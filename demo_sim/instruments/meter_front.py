"""The measuring part of the virtual meter: from leads to a number, with time passing.

One reading integrates the input over ``nplc`` cycles of the line, so hum averages out when that is
a whole number, and the converter's noise falls with the square root of the time. Each reading is
followed by one of the same length on a shorted input, which is taken from it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.hidden import HiddenErrors
from demo_sim.instruments.surroundings import Surroundings

Function = Literal["dc_voltage", "ac_voltage", "dc_current", "resistance_2w", "resistance_4w"]

OVERLOAD = 9.9e37
# Seconds: changing range, starting a reading, letting the ac converter's filter settle.
RANGE_CHANGE_S = 0.020
START_S = 0.0015
AC_SETTLE_S = 0.4
AC_WINDOW_S = 0.1
AC_RATE_HZ = 204_800.0
CREST_FACTOR = 3.0
# A dc reading overloads when peaks pass this multiple of its range; they are looked for at this
# many places, which a signal of 20 Hz to 20 kHz cannot all miss.
PEAK_HEADROOM = 5.0
PEAK_POINTS = 97
PEAK_SPACING_S = 0.53e-3
PEAK_LASTS_S = 1.0
# Auto-ranging leaves a range below this part of it, so that it does not hunt at the border.
DOWN_RANGE_AT = 0.1
# Current through the unknown on each resistance range, A.
TEST_CURRENT = {250.0: 1e-3, 2.5e3: 1e-3, 25e3: 1e-4, 250e3: 1e-5, 2.5e6: 1e-6}


class MeterFront:
    """What the leads are on, measured. ``key`` is the meter's name on the bench."""

    def __init__(self, world: Surroundings, key: str = "meter", line_hz: float = 50.0) -> None:
        self._world = world
        self._key = key
        self.line_hz = line_hz
        self._errors = HiddenErrors(world, key)
        self._noise = world.rng(f"{key}.noise")
        self._last_range: dict[Function, float] = {}
        self._peak_seen: tuple[float, str | None, str | None, float] = (-math.inf, None, None, 0.0)
        self._spent_s = 0.0
        self.fuse_blown = False

    def read(
        self,
        function: Function,
        full_scale: float | None,
        nplc: float = 10.0,
    ) -> tuple[float, float]:
        """One reading and the range it was taken on; ``full_scale`` None ranges by itself.

        The value is in V, A or Ω; ``OVERLOAD`` with the input's sign where the range is too small.
        """
        try:
            return self._ranged(function, full_scale, nplc)
        finally:
            spent, self._spent_s = self._spent_s, 0.0
            self._world.advance(spent)

    @property
    def _now(self) -> float:
        """Bench time with what this reading has taken so far: heat and rails follow at its end."""
        return self._world.now + self._spent_s

    def _spend(self, seconds: float) -> None:
        self._spent_s += seconds

    def _ranged(
        self, function: Function, full_scale: float | None, nplc: float
    ) -> tuple[float, float]:
        one: Callable[[float], float] = {
            "dc_voltage": lambda scale: self._dc_voltage(scale, nplc),
            "ac_voltage": self._ac_voltage,
            "dc_current": lambda scale: self._dc_current(scale, nplc),
            "resistance_2w": lambda scale: self._resistance(scale, nplc, False),
            "resistance_4w": lambda scale: self._resistance(scale, nplc, True),
        }[function]
        scales = spec.ranges("meter", function)
        if full_scale is not None:
            if self._last_range.get(function) not in (None, full_scale):
                self._spend(RANGE_CHANGE_S)
            self._last_range[function] = full_scale
            return one(full_scale), full_scale
        at = scales.index(self._last_range.get(function, scales[-1]))
        value = one(scales[at])
        if at > 0 and abs(value) < DOWN_RANGE_AT * scales[at]:
            # Straight to the range that should hold it and its peaks.
            peak = self._peak_seen[3] if function == "dc_voltage" else 0.0
            better = next(
                i
                for i, s in enumerate(scales)
                if i == at or (abs(value) < spec.METER_OVERRANGE * s and peak <= PEAK_HEADROOM * s)
            )
            if better != at:
                at = better
                self._spend(RANGE_CHANGE_S)
                value = one(scales[at])
        while abs(value) >= OVERLOAD and at + 1 < len(scales):
            at += 1
            self._spend(RANGE_CHANGE_S)
            value = one(scales[at])
        self._last_range[function] = scales[at]
        return value, scales[at]

    def _node(self, terminal: str) -> str | None:
        return self._world.node_of(f"{self._key}.{terminal}")

    def _mean_volts(self, hi_terminal: str, lo_terminal: str, nplc: float) -> float:
        """Mean of the volts between two terminals over the aperture, which is spent."""
        hi, lo = self._node(hi_terminal), self._node(lo_terminal)
        self._spend(START_S)
        start, aperture = self._now, nplc / self.line_hz
        if nplc >= 1.0:
            mean = self._world.dc_voltage(hi, lo, start, aperture)
        else:  # part of a cycle: hum and signal are not averaged out
            points = max(64, round(aperture * AC_RATE_HZ))
            t = start + (np.arange(points, dtype=np.float64) + 0.5) * (aperture / points)
            mean = float(np.mean(self._world.voltage(hi, lo, t)))
        mean += self._from_leads(hi_terminal, lo_terminal, start, aperture)
        self._spend(aperture)
        return mean

    def _from_leads(self, hi: str, lo: str, start_s: float, aperture_s: float) -> float:
        """Thermal EMF and what is left of pick-up, mean over the aperture, V."""
        total = 0.0
        for terminal, sign in ((hi, 1.0), (lo, -1.0)):
            name = f"{self._key}.{terminal}"
            total += sign * self._world.emf(name)
            pickup = self._world.pickup(name)
            if pickup is not None:
                total += sign * pickup.mean(start_s, aperture_s)
        return total

    def _finish(
        self,
        function: Function,
        scale: float,
        value: float,
        nplc: float,
        *,
        zeroed: bool,
    ) -> float:
        """Overload, hidden error and converter noise; the reading of zero takes its time too."""
        if zeroed:
            self._spend(nplc / self.line_hz)
        if not abs(value) <= spec.METER_OVERRANGE * scale:
            return math.copysign(OVERLOAD, value) if not math.isnan(value) else OVERLOAD
        entry = spec.accuracy("meter", function, scale)
        noise = spec.METER_NOISE_OF_RANGE[function] * scale / math.sqrt(nplc)
        if zeroed:  # the difference of two conversions
            noise *= math.sqrt(2.0)
        if function == "resistance_2w":  # its leads are a part of its own, and only ever add
            entry = replace(entry, offset=entry.offset - spec.METER_PAIR_OHM)
        return self._errors.of(entry).apply(value) + float(self._noise.normal(0.0, noise))

    def _dc_voltage(self, scale: float, nplc: float) -> float:
        hi, lo = self._node("hi"), self._node("lo")
        # Volts that average out still have to fit into the amplifier before the integrator.
        peak = self._peak(hi, lo)
        volts = self._mean_volts("hi", "lo", nplc)
        if peak > PEAK_HEADROOM * scale:
            volts = math.copysign(math.inf, volts)
        return self._finish("dc_voltage", scale, volts, nplc, zeroed=True)

    def _peak(self, hi: str | None, lo: str | None) -> float:
        """Largest |volts| seen lately between two nodes; looked at anew now and then."""
        now, (at, *nodes, peak) = self._now, self._peak_seen
        if nodes != [hi, lo] or not 0.0 <= now - at < PEAK_LASTS_S:
            t = now + np.arange(PEAK_POINTS, dtype=np.float64) * PEAK_SPACING_S
            peak = float(np.max(np.abs(self._world.voltage(hi, lo, t))))
            self._peak_seen = (now, hi, lo, peak)
        return peak

    def _dc_current(self, scale: float, nplc: float) -> float:
        """Current that the shunt takes between its two leads.

        In series with a rail that is the rail's current. Across anything else the shunt is nearly
        a short, and what flows follows from the open-circuit volts and the resistance seen there;
        put across a rail it blows the fuse, and reads nothing ever after.
        """
        amps, lo = self._node("amps"), self._node("lo")
        amperes = 0.0
        if amps is None or lo is None or amps == lo or self.fuse_blown:
            self._spend(START_S + nplc / self.line_hz)
        else:
            burden = spec.METER_BURDEN_OHM + 2.0 * spec.METER_LEAD_OHM
            volts = self._mean_volts("amps", "lo", nplc)
            amperes = volts / (self._world.resistance(amps, lo) + burden)
            amperes += self._world.current_through(f"{self._key}.amps", f"{self._key}.lo")
            if abs(amperes) > spec.METER_FUSE_A:
                self.fuse_blown, amperes = True, 0.0
        return self._finish("dc_current", scale, amperes, nplc, zeroed=True)

    def _ac_voltage(self, scale: float) -> float:
        """True rms of what is left when the mean is taken away, 20 Hz … 100 kHz."""
        self._spend(START_S + AC_SETTLE_S)
        t = self._now + np.arange(round(AC_WINDOW_S * AC_RATE_HZ)) / AC_RATE_HZ
        volts = self._world.voltage(self._node("hi"), self._node("lo"), t)
        for terminal, sign in (("hi", 1.0), ("lo", -1.0)):
            pickup = self._world.pickup(f"{self._key}.{terminal}")
            if pickup is not None:
                volts = volts + sign * pickup.at(t)
        volts = volts - volts.mean()
        self._spend(AC_WINDOW_S)
        rms = float(np.sqrt(np.mean(np.square(volts))))
        if float(np.max(np.abs(volts))) > CREST_FACTOR * spec.METER_OVERRANGE * scale:
            rms = math.inf
        # The converter's own noise adds as power.
        own = spec.METER_NOISE_OF_RANGE["ac_voltage"] * scale
        # An rms is never negative, whatever the offset error.
        return abs(self._finish("ac_voltage", scale, math.hypot(rms, own), 1.0, zeroed=False))

    def _resistance(self, scale: float, nplc: float, four_wire: bool) -> float:
        """The volts that the test current makes between the sensing leads, over that current.

        A circuit under power adds its own volts: ohms read on a live circuit are wrong, as they
        are on a bench.
        """
        world, current = self._world, TEST_CURRENT[scale]
        hi, lo = self._node("hi"), self._node("lo")
        sense_hi, sense_lo = (
            (self._node("sense_hi"), self._node("sense_lo")) if four_wire else (hi, lo)
        )
        sensing = ("sense_hi", "sense_lo") if four_wire else ("hi", "lo")
        live = self._mean_volts(*sensing, nplc) if sense_hi and sense_lo else 0.0
        if hi is None or lo is None:
            ohms = math.inf  # no path for the test current
        elif sense_hi is None or sense_lo is None:
            ohms = math.inf
        elif (sense_hi, sense_lo) == (hi, lo):
            ohms = world.resistance(hi, lo) + live / current
        elif (sense_hi, sense_lo) == (lo, hi):
            ohms = -world.resistance(hi, lo) + live / current
        else:  # sensing where no test current flows
            ohms = live / current if math.isfinite(world.resistance(hi, lo)) else math.inf
        if not four_wire:
            pair = 0.5 * spec.METER_PAIR_OHM
            ohms += pair + self._errors.within(pair, "leads")
            ohms += sum(world.lead_ohm(f"{self._key}.{t}") for t in ("hi", "lo"))
        function: Function = "resistance_4w" if four_wire else "resistance_2w"
        return self._finish(function, scale, ohms, nplc, zeroed=True)
