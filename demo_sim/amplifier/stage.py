"""The push-pull output stages, solved as they are: static, open loop, every device by itself.

Between the bases of upper and lower half stands the bias voltage B. With the middle of the bases
``u`` above the output, the upper half sees B/2 + u, the lower B/2 − u; each half's devices see the
same volts and share by their own offsets, temperatures and ballasts. For a load current the stage
finds the ``u`` that the rest of the amplifier must supply: its curvature is the crossover
distortion that feedback then reduces.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.device import (
    REFERENCE_C,
    log_saturation_current,
    thermal_voltage,
    vbe,
    wright_omega,
)
from demo_sim.amplifier.spec import HALVES, LegSpec

Floats = NDArray[np.float64]
OFF = -600.0  # ln(Is) of a device that is not there
LARGEST_STEP_V = 0.3
LEAST_SLOPE = 1e-9  # A/V; below it a slope is no guide
# The last step of the search; of u is left then its square over kT/q (0.03 µV), of a current less
# than a millionth.
RESOLVED_V = 2.5e-5
# Of long tables: a curve is followed in steps of this part of kT/q, which a cubic joins to 2e-6 of
# kT/q where a current is exponential; no more steps than tables are long.
STEP_OF_VT = 0.1
FEWEST_STEPS, MOST_STEPS = 32, 4096


@dataclass(frozen=True, slots=True, eq=False)
class _Devices:
    """``vt`` and ``log_is`` (legs, 2, devices); the others the same with one more axis:
    ``per_omega``, A, is kT/q over ``ohms``."""

    vt: Floats
    log_is: Floats
    wide_vt: Floats
    shift: Floats
    ohms: Floats
    per_omega: Floats

    def at(self, half_bias: Floats, u: Floats) -> tuple[Floats, Floats]:
        """Currents and their growth with the volts of their half, (legs, 2, devices, samples)."""
        volts = np.empty((u.shape[0], 2, 1, u.shape[1]))
        np.add(half_bias, u, out=volts[:, 0, 0])
        np.subtract(half_bias, u, out=volts[:, 1, 0])
        scaled = volts / self.wide_vt
        scaled += self.shift
        omega = wright_omega(scaled)
        return self.per_omega * omega, omega / ((1.0 + omega) * self.ohms)


def _joined(
    values: Floats, slopes: Floats, width: Floats, cell: NDArray[np.intp], share: Floats
) -> Floats:
    """Cubics (Hermite) through ``values`` with ``slopes``, (…, cells + 1): what they are at
    ``share`` of each ``cell``, whose widths are ``width``."""
    rise = np.diff(values)
    first, last = slopes[..., :-1] * width, slopes[..., 1:] * width
    cubed = (first + last - 2.0 * rise)[..., cell]
    cubed *= share
    cubed += (3.0 * rise - 2.0 * first - last)[..., cell]
    cubed *= share
    cubed += first[..., cell]
    cubed *= share
    cubed += values[..., cell]
    return cubed


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Currents along the base middle, and where on it the samples of a table lie.

    ``u`` (legs, cells + 1); ``amperes`` and their growth with u (legs, 2, devices, cells + 1);
    ``at`` (legs, samples) and the cell of each, by leg.
    """

    u: Floats
    amperes: Floats
    slopes: Floats
    at: Floats
    cells: list[NDArray[np.intp]]

    def currents(self) -> Floats:
        """Of every sample, (legs, 2, devices, samples), A; most who want volts never ask."""
        found = np.empty((*self.amperes.shape[:3], self.at.shape[1]))
        for leg, (u, at, cell) in enumerate(zip(self.u, self.at, self.cells, strict=True)):
            step = u[1:] - u[:-1]
            share = np.clip((at - u[cell]) / np.maximum(step, 1e-300)[cell], 0, 1)
            found[leg] = _joined(self.amperes[leg], self.slopes[leg], step, cell, share)
        return found


class OutputStage:
    """All legs of the amplifier as arrays of shape (legs, 2 halves, devices)."""

    def __init__(self, legs: Sequence[LegSpec], idle_current: float, ballast_ohm: float) -> None:
        devices = [[leg.half(half) for half in HALVES] for leg in legs]
        self.ballast = np.array([[[d.ballast_ohm for d in h] for h in leg] for leg in devices])
        self.offset = np.array([[[d.offset_v for d in h] for h in leg] for leg in devices])
        self.good = np.array([[[d.state == "good" for d in h] for h in leg] for leg in devices])
        # The trimmer was set at 25 °C for the nominal idle current through two nominal junctions.
        self._idle = idle_current
        self._sensor_vbe = vbe(idle_current, REFERENCE_C)
        self.nominal_bias = 2.0 * (self._sensor_vbe + idle_current * ballast_ohm)
        self.bias_shift = np.array([leg.bias_shift_v for leg in legs])
        self._between: Floats | None = None  # where the last curve began and ended
        self._ohms = self.ballast[..., None]
        self._mean_ohm = self.ballast.mean(axis=2)
        self._working = np.maximum(self.good.sum(axis=2), 1)
        # Of the temperatures that were asked for last: their arrays are never written to.
        self._at: tuple[Floats, _Devices] | None = None
        self._sensed: tuple[Floats, Floats] | None = None

    def bias(self, sensor_c: Floats, alive: float = 1.0) -> Floats:
        """Volts between the bases of each leg, from the temperature of its bias transistor.

        The Vbe multiplier's own junction carries a constant current, so it falls with its
        temperature as the output junctions do. ``alive`` 0…1: how far the rails let it exist.
        """
        if self._sensed is None or self._sensed[0] is not sensor_c:
            junction = thermal_voltage(sensor_c) * (
                math.log(self._idle) - log_saturation_current(sensor_c)
            )
            multiplier = self.nominal_bias / self._sensor_vbe
            self._sensed = (sensor_c, multiplier * junction + self.bias_shift)
        return np.asarray(self._sensed[1] * alive)

    def solve(
        self, load_a: Floats, bias: Floats, junction_c: Floats, start: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """The base middle ``u`` (legs, samples) and currents (legs, 2, devices, samples).

        ``load_a`` (legs, samples) flows out of each leg; ``junction_c`` is (legs, 2, devices).
        Newton on the sum of the currents, which is monotone in ``u``.
        """
        devices = self._devices(junction_c)
        half_bias = 0.5 * bias[:, None]
        u = start
        if u is None or u.shape != load_a.shape:
            u = self._first_guess(load_a, half_bias, devices)
        for _ in range(60):
            currents, slopes = devices.at(half_bias, u)
            slope = np.add.reduce(slopes, axis=(1, 2))
            total = np.add.reduce(currents, axis=2)
            step = total[:, 0] - total[:, 1]
            step -= load_a
            step /= np.maximum(slope, LEAST_SLOPE)
            # Where nothing conducts the slope is no guide.
            np.minimum(np.maximum(step, -LARGEST_STEP_V), LARGEST_STEP_V, out=step)
            u = u - step
            if np.maximum.reduce(np.abs(step), axis=None) < RESOLVED_V:
                slopes *= step[:, None, None]
                currents[:, 0] -= slopes[:, 0]
                currents[:, 1] += slopes[:, 1]
                break
        return u, currents

    def solve_many(self, load_a: Floats, bias: Floats, junction_c: Floats) -> tuple[Floats, Curve]:
        """As ``solve``, for many samples: the currents are worked out along ``u``, where nothing
        has to be searched for, and what each sample needs is read off that curve."""
        ends = np.stack((load_a.min(axis=1), load_a.max(axis=1)), axis=1)
        between, _ = self.solve(ends, bias, junction_c, self._between)
        self._between = between
        devices = self._devices(junction_c)
        low, span = between[:, :1], between[:, 1:] - between[:, :1]
        wanted = float(span.max()) / (STEP_OF_VT * float(devices.vt.min()))
        cells = int(min(MOST_STEPS, max(FEWEST_STEPS, wanted)))
        curve_u = low + span * np.linspace(0.0, 1.0, cells + 1)
        curve_a, slopes = devices.at(0.5 * bias[:, None], curve_u)
        total = curve_a.sum(axis=2)
        curve_load, slope = total[:, 0] - total[:, 1], slopes.sum(axis=(1, 2))
        slopes[:, 1] *= -1.0  # the lower half gives less as u rises
        u, places = np.empty_like(load_a), []
        for leg, load in enumerate(curve_load):
            cell = np.clip(np.searchsorted(load, load_a[leg]) - 1, 0, cells - 1)
            width = np.maximum(np.diff(load), 1e-300)
            share = np.clip((load_a[leg] - load[cell]) / width[cell], 0.0, 1.0)
            per_a = 1.0 / np.maximum(slope[leg], LEAST_SLOPE)
            u[leg] = _joined(curve_u[leg], per_a, width, cell, share)
            places.append(cell)
        return u, Curve(curve_u, curve_a, slopes, u, places)

    def _devices(self, junction_c: Floats) -> _Devices:
        """All devices at their temperatures."""
        if self._at is None or self._at[0] is not junction_c:
            vt = thermal_voltage(junction_c)
            log_is = np.where(self.good, log_saturation_current(junction_c) + self.offset / vt, OFF)
            shift = np.log(self.ballast / vt) + log_is
            wide = vt[..., None]
            made = _Devices(vt, log_is, wide, shift[..., None], self._ohms, wide / self._ohms)
            self._at = (junction_c, made)
        return self._at[1]

    def _first_guess(self, load_a: Floats, half_bias: Floats, devices: _Devices) -> Floats:
        """What the half that carries the load alone would need."""
        vt, log_is = devices.vt, devices.log_is
        guess = np.zeros_like(load_a)
        mean_vt, most = vt.mean(axis=2), log_is.max(axis=2)
        for half, sign in ((0, 1.0), (1, -1.0)):
            carried = sign * load_a
            each = np.maximum(carried, 1e-9) / self._working[:, half, None]
            need = (
                mean_vt[:, half, None] * (np.log(each) - most[:, half, None])
                + each * self._mean_ohm[:, half, None]
                - half_bias
            )
            guess += sign * np.minimum(np.maximum(need, 0.0), 50.0) * (carried > 0.0)
        return guess
