"""A digital oscilloscope, spoken to as its driver file says."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import InstrumentError, InstrumentRefused, InstrumentSilent, NotMeasured
from seqrun.files.driver import Driver, ScopeSettings
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.error_queue import QueueError
from seqrun.instruments.link import Link
from seqrun.instruments.roles import Capture
from seqrun.instruments.vertical import Scaling, Vertical, converter_step, scaling, snapped

POLL_S = 0.01  # between two questions whether an acquisition is complete
TIME_OUT_ERROR = -365  # SCPI-99 volume 2, 21.8: what a scope may report when no edge came
READY_S = 2.0  # for arming and processing, beside the time of the record itself


class DrivenScope(DrivenInstrument):
    """Plays the role :class:`~seqrun.instruments.roles.Scope`.

    Args:
        probe: attenuation of the probe on each channel; ×1 where nothing is said.
    """

    def __init__(self, name: str, driver: Driver, link: Link, probe: Sequence[float] = ()) -> None:
        assert driver.scope is not None, "the driver file was checked"
        self._settings: ScopeSettings = driver.scope
        super().__init__(name, driver, link)
        self._probe = {n: float(probe[n - 1]) if n <= len(probe) else 1.0 for n in self._numbers()}
        if "probe" in self._ops:
            for n, factor in self._probe.items():
                self._ops["probe"](channel=n, probe=factor)
        self._sample = np.dtype(self._settings.sample).newbyteorder(self._settings.byte_order)
        self._sent: dict[str, tuple[str, dict[str, object]]] = {}
        self._variables: dict[tuple[int, float], tuple[UFloat, UFloat]] = {}

    @property
    def channels(self) -> int:
        """How many channels there are."""
        return self._settings.channels

    @property
    def bits(self) -> int:
        """Of the converter."""
        return self._settings.bits

    @property
    def max_points(self) -> int:
        """Longest record per channel."""
        return self._settings.max_points

    def sample_rate_near(self, wanted_hz: float) -> float:
        """The rate that the instrument has nearest to the wanted one, Hz."""
        return snapped(wanted_hz, self._settings.rate_steps, self._settings.max_rate)

    def acquire(
        self,
        peak_v: dict[int, float],
        *,
        sample_rate_hz: float,
        points: int,
        coupling: Literal["DC", "AC"] = "DC",
        trigger: int | None = None,
        averages: int = 1,
        high_resolution: bool = False,
        time_out_s: float = 10.0,
    ) -> Capture:
        """One acquisition of the channels in ``peak_v``; see the role for the arguments.

        Only what differs from the acquisition before is sent.

        Raises:
            InstrumentRefused: a channel, range or length that the scope does not have.
            NotMeasured: no edge came within ``time_out_s``.
        """
        self._possible(peak_v, points, averages, trigger)
        rate = self.sample_rate_near(sample_rate_hz)
        vertical = {n: self._vertical(n, peak) for n, peak in sorted(peak_v.items())}
        self._set_up(
            vertical, rate, points, coupling, trigger, averages, high_resolution,
            time_out_s,
        )  # fmt: skip
        self._run(time_out_s + READY_S + 1.5 * averages * points / rate, trigger is not None)
        return self._fetch(vertical, points)

    # --- before --------------------------------------------------------------------------------

    def _numbers(self) -> range:
        return range(1, self.channels + 1)

    def _possible(
        self, peak_v: dict[int, float], points: int, averages: int, trigger: int | None
    ) -> None:
        where = self._link.where
        for n in [*peak_v, *([trigger] if trigger is not None else [])]:
            if n not in self._numbers():
                raise InstrumentRefused(
                    f"there is no channel {n}", expected=f"1 to {self.channels}", where=where
                )
        if not peak_v:
            raise InstrumentRefused("no channel to acquire", expected="at least one", where=where)
        if not 1 <= points <= self.max_points:
            raise InstrumentRefused(
                f"a record of {points} points", expected=f"1 to {self.max_points}", where=where
            )
        if averages < 1:
            raise InstrumentRefused(f"{averages} averages", expected="at least 1", where=where)

    def _vertical(self, channel: int, peak: float) -> Vertical:
        """The smallest range that holds the peak with the headroom, at the probe tip."""
        settings, probe = self._settings, self._probe[channel]
        needed = 2.0 * abs(peak) * (1.0 + settings.headroom) / probe
        steps = sorted(settings.ranges)
        step = next((s for s in steps if s >= needed), None)
        if step is None:
            raise InstrumentRefused(
                f"channel {channel}: a peak of {peak:g} V is beyond its largest range",
                expected=f"at most {steps[-1] * probe / 2.0 / (1.0 + settings.headroom):.4g} V "
                f"with a probe of ×{probe:g}",
                where=self._link.where,
                hint="use a probe with more attenuation",
            )
        full_scale = step
        if settings.vernier:
            full_scale = min(step, max(_two_figures_up(needed), steps[0]))
        return Vertical(step * probe, full_scale * probe)

    def _set_up(
        self,
        vertical: dict[int, Vertical],
        rate: float,
        points: int,
        coupling: str,
        trigger: int | None,
        averages: int,
        high_resolution: bool,
        time_out_s: float,
    ) -> None:
        duration = points / rate
        wanted: dict[str, tuple[str, dict[str, object]]] = {}
        for n in self._numbers():
            wanted[f"show {n}"] = ("show", {"channel": n, "on": n in vertical})
        for n, v in vertical.items():
            per_division = v.full_scale / self._settings.divisions
            wanted[f"coupling {n}"] = ("coupling", {"channel": n, "coupling": coupling})
            wanted[f"range {n}"] = (
                "range",
                {"channel": n, "range": v.full_scale, "volts_per_division": per_division},
            )
        if high_resolution:
            wanted["mode"] = ("high_resolution", {})
        elif averages > 1:
            wanted["mode"] = ("average", {"count": averages})
        else:
            wanted["mode"] = ("normal", {})
        wanted["timebase"] = (
            "timebase",
            {
                "rate": rate,
                "interval": 1.0 / rate,
                "points": points,
                "duration": duration,
                "seconds_per_division": duration / self._settings.time_divisions,
            },
        )
        if trigger is None:
            wanted["trigger"] = ("free_run", {"channel": next(iter(vertical))})
        else:
            wanted["trigger"] = (
                "trigger", {"channel": trigger, "level": 0.0, "time_out": time_out_s},
            )  # fmt: skip
        self._send_changes(wanted)

    def _send_changes(self, wanted: dict[str, tuple[str, dict[str, object]]]) -> None:
        """Send what differs from what was sent last, as one group."""
        changed = {key: do for key, do in wanted.items() if self._sent.get(key) != do}
        if not changed:
            return
        commands = [m for name, values in changed.values() for m in self._ops[name].bare(**values)]
        before, self._sent = self._sent, {}  # nothing is sure until the scope has taken it
        self._link.write(*commands)
        self._sent = before | changed

    # --- acquire -------------------------------------------------------------------------------

    def _run(self, time_out_s: float, triggered: bool) -> None:
        try:
            self._ops["acquire"](time_out_s)
            if "acquired" in self._ops:
                self._poll(time_out_s)
        except (InstrumentSilent, QueueError) as problem:
            self._sent.clear()
            if not triggered or getattr(problem, "number", TIME_OUT_ERROR) != TIME_OUT_ERROR:
                raise
            self._link.identify()  # if it answers, it was only waiting for an edge
            raise NotMeasured(
                f"nothing triggered the scope within {time_out_s:g} s",
                expected="an edge on the trigger channel",
                where=self._link.where,
                hint="is the signal there, and the probe on it?",
            ) from problem

    def _poll(self, time_out_s: float) -> None:
        done = self._ops["acquired"]
        give_up = time.monotonic() + time_out_s
        while not done.boolean():
            if time.monotonic() > give_up:
                raise InstrumentSilent(
                    f"the acquisition was not complete within {time_out_s:g} s",
                    expected="a record", where=self._link.where,
                )  # fmt: skip
            time.sleep(POLL_S)

    # --- fetch ---------------------------------------------------------------------------------

    def _fetch(self, vertical: dict[int, Vertical], points: int) -> Capture:
        volts: dict[int, NDArray[np.float64]] = {}
        lsb: dict[int, float] = {}
        clipped: dict[int, bool] = {}
        gain: dict[int, UFloat] = {}
        offset: dict[int, UFloat] = {}
        time_axis: Scaling | None = None
        for n, v in vertical.items():
            scale = self._scaling(n)
            codes = self._codes(n, points)
            lowest, highest = int(codes.min()), int(codes.max())
            clipped[n] = lowest <= self._settings.lowest or highest >= self._settings.highest
            volts[n] = scale.volts(codes)
            lsb[n] = abs(scale.yincrement) * self._step(codes, clipped[n])
            gain[n], offset[n] = self._errors(n, v)
            time_axis = time_axis or scale
        self._link.check()
        assert time_axis is not None, "there is at least one channel"
        return Capture(
            t0_s=time_axis.xorigin - time_axis.xreference * time_axis.xincrement,
            dt_s=time_axis.xincrement,
            volts=volts,
            lsb_v=lsb,
            clipped=clipped,
            gain=gain,
            offset_v=offset,
        )

    def _scaling(self, channel: int) -> Scaling:
        answer = self._ops["preamble"](channel=channel)
        try:
            return scaling(answer, self._settings.preamble, self._settings.preamble_separator)
        except ValueError as problem:
            raise InstrumentError(
                f'the preamble of channel {channel} is "{answer[:80]}": {problem}',
                expected=f"the fields {', '.join(self._settings.preamble)}",
                where=self._link.where,
                hint="[scope] preamble in the driver file tells what the fields are",
            ) from None

    def _codes(self, channel: int, points: int) -> NDArray[np.generic]:
        size = self._sample.itemsize
        data = self._ops["waveform"].block(points * size, channel=channel)
        if len(data) == 0 or len(data) % size:
            raise InstrumentError(
                f"{len(data)} bytes came for channel {channel}",
                expected=f"samples of {size} bytes each",
                where=self._link.where,
            )
        return np.frombuffer(data, self._sample)

    def _step(self, codes: NDArray[np.generic], clipped: bool) -> int:
        """Codes per converter step; finer when the instrument averaged several conversions."""
        widest = 1 << max(0, self._settings.code_bits - self._settings.bits)
        return widest if clipped or widest == 1 else converter_step(codes, widest)

    def _errors(self, channel: int, v: Vertical) -> tuple[UFloat, UFloat]:
        """Gain (mean 1) and offset (V) of a channel; the errors belong to the attenuator step."""
        key = (channel, v.full_scale)
        if key not in self._variables:
            row = self._accuracy.row("voltage", v.step)
            gain, offset = self._accuracy.variables(row, v.step, f"channel {channel}")
            self._variables[key] = (1.0 + gain, offset * (v.full_scale / v.step))
        return self._variables[key]


def _two_figures_up(value: float) -> float:
    """The next number of two significant figures: a range that does not follow every digit of
    the signal, so that it is not set anew each time."""
    if value <= 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / unit - 1e-9) * unit
