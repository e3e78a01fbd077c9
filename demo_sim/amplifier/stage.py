"""The push-pull output stages, solved as they are: static, open loop, every device by itself.

Between the bases of upper and lower half stands the bias voltage B. With the middle of the bases
``u`` above the output, the upper half sees B/2 + u, the lower B/2 − u; each half's devices see the
same volts and share by their own offsets, temperatures and ballasts. For a load current the stage
finds the ``u`` that the rest of the amplifier must supply: its curvature is the crossover
distortion that feedback then reduces.
"""

from __future__ import annotations

from collections.abc import Sequence

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
RESOLVED_V = 1e-10


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

    def bias(self, sensor_c: Floats, alive: float = 1.0) -> Floats:
        """Volts between the bases of each leg, from the temperature of its bias transistor.

        The Vbe multiplier's own junction carries a constant current, so it falls with its
        temperature as the output junctions do. ``alive`` 0…1: how far the rails let it exist.
        """
        multiplier = self.nominal_bias / self._sensor_vbe
        junction = thermal_voltage(sensor_c) * (
            np.log(self._idle) - log_saturation_current(sensor_c)
        )
        return np.asarray((multiplier * junction + self.bias_shift) * alive)

    def solve(
        self, load_a: Floats, bias: Floats, junction_c: Floats, start: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """The base middle ``u`` (legs, samples) and currents (legs, 2, devices, samples).

        ``load_a`` (legs, samples) flows out of each leg; ``junction_c`` is (legs, 2, devices).
        Newton on the sum of the currents, which is monotone in ``u``.
        """
        vt = thermal_voltage(junction_c)
        log_is = np.where(self.good, log_saturation_current(junction_c) + self.offset / vt, OFF)
        half_bias = 0.5 * bias[:, None]
        u = start
        if u is None or u.shape != load_a.shape:
            u = self._first_guess(load_a, half_bias, vt, log_is)
        shift = (np.log(self.ballast / vt) + log_is)[..., None]
        scale, ohms, per_vt = (vt / self.ballast)[..., None], self.ballast[..., None], 1.0 / vt
        volts = np.empty((load_a.shape[0], 2, 1, load_a.shape[1]))
        for _ in range(60):
            volts[:, 0, 0, :] = half_bias + u
            volts[:, 1, 0, :] = half_bias - u
            omega = wright_omega(volts * per_vt[..., None] + shift)
            currents = scale * omega
            slope = (omega / ((1.0 + omega) * ohms)).sum(axis=(1, 2))
            total = currents.sum(axis=2)
            step = (total[:, 0] - total[:, 1] - load_a) / np.maximum(slope, 1e-9)
            # Where nothing conducts the slope is no guide.
            step = np.clip(step, -LARGEST_STEP_V, LARGEST_STEP_V)
            u = u - step
            if float(np.abs(step).max()) < RESOLVED_V:
                break
        return u, currents

    def _first_guess(self, load_a: Floats, half_bias: Floats, vt: Floats, log_is: Floats) -> Floats:
        """What the half that carries the load alone would need."""
        guess = np.zeros_like(load_a)
        count = np.maximum(self.good.sum(axis=2), 1)
        for half, sign in ((0, 1.0), (1, -1.0)):
            each = np.maximum(sign * load_a, 1e-9) / count[:, half, None]
            need = (
                vt[:, half].mean(axis=1)[:, None]
                * (np.log(each) - log_is[:, half].max(axis=1)[:, None])
                + each * self.ballast[:, half].mean(axis=1)[:, None]
                - half_bias
            )
            guess += sign * np.clip(need, 0.0, 50.0) * (sign * load_a > 0.0)
        return guess
