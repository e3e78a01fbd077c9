"""A digital oscilloscope, spoken to as its driver file says."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from typing import Literal, NoReturn

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import (
    InstrumentError,
    InstrumentRefused,
    InstrumentSilent,
    NoResult,
    NotMeasured,
)
from seqrun.files.driver.file import Driver, ScopeSettings
from seqrun.files.driver.operations import SCALING
from seqrun.instruments import preamble
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.error_queue import QueueError
from seqrun.instruments.link import Link
from seqrun.instruments.record import (
    longest_record,
    numbers_of,
    rate_near,
    record_for,
    samples_of,
)
from seqrun.instruments.roles import Capture
from seqrun.instruments.vertical import Scaling, Vertical, converter_step
from seqrun.values import rectangular

POLL_S = 0.01  # between two questions whether an acquisition is complete
TIME_OUT_ERROR = -365  # SCPI-99 volume 2, 21.8: what a scope may report when no edge came
READY_S = 2.0  # for arming and processing, beside the time of the record itself


class DrivenScope(DrivenInstrument):
    """Plays the role :class:`~seqrun.instruments.roles.Scope`.

    Args:
        probe: attenuation of the probe on each channel; ×1 where nothing is said.
        probe_ratio: how far that of a probe that divides may be off, a fraction.
    """

    def __init__(
        self,
        name: str,
        driver: Driver,
        link: Link,
        probe: Sequence[float] = (),
        label: str = "",
        probe_ratio: float = 0.0,
    ) -> None:
        assert driver.scope is not None, "the driver file was checked"
        self._settings: ScopeSettings = driver.scope
        super().__init__(name, driver, link, label)
        self._probe = {n: float(probe[n - 1]) if n <= len(probe) else 1.0 for n in self._numbers()}
        self._knows_probes = "probe" in self._ops
        if self._knows_probes:
            for n, factor in self._probe.items():
                self._ops["probe"](channel=n, probe=factor)
        self._sample = samples_of(self._settings)
        self._sent: dict[str, tuple[str, dict[str, object]]] = {}
        self._variables: dict[tuple[int, float], tuple[UFloat, UFloat]] = {}
        self._ratios = {
            n: rectangular(1.0, probe_ratio, f"probe {name}.{n} ratio", f"probe {name}.{n}")
            for n, factor in self._probe.items()
            if factor > 1.0 and probe_ratio > 0.0
        }

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
        """Longest record per channel, also with all channels on."""
        return longest_record(self._settings, self.channels)

    def sample_rate_near(self, wanted_hz: float) -> float:
        """The rate that the instrument has nearest to the wanted one, Hz."""
        return rate_near(self._settings, wanted_hz, self.max_points)

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
        record = record_for(self._settings, points, len(peak_v))
        rate = rate_near(self._settings, sample_rate_hz, record)
        vertical = {n: self._vertical(n, peak) for n, peak in sorted(peak_v.items())}
        self._set_up(
            vertical, rate, record, coupling, trigger, averages, high_resolution,
            time_out_s,
        )  # fmt: skip
        self._run(time_out_s + READY_S + 1.5 * averages * record / rate, trigger is not None)
        # A record longer than wanted is cut, unless it lies about an edge.
        return self._fetch(vertical, points if trigger is None else record, record, rate)

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
        longest = longest_record(self._settings, len(peak_v))
        if not 1 <= points <= longest:
            raise InstrumentRefused(
                f"a record of {points} points", expected=f"1 to {longest}", where=where
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
            # What a scope is not told of its probe it is not told of the volts at the tip either.
            full_scale = v.full_scale / self._here(n)
            per_division = full_scale / self._settings.divisions
            wanted[f"coupling {n}"] = ("coupling", {"channel": n, "coupling": coupling})
            wanted[f"range {n}"] = (
                "range",
                {"channel": n, "range": full_scale, "volts_per_division": per_division},
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
        before, self._sent = self._sent, {}  # nothing is sure until the scope has taken it
        if all(self._ops[name].joinable for name, _ in changed.values()):
            self._link.write(
                *(m for name, values in changed.values() for m in self._ops[name].bare(**values))
            )
        else:
            for name, values in changed.values():
                self._ops[name](**values)
        self._sent = before | changed

    # --- acquire -------------------------------------------------------------------------------

    def _run(self, time_out_s: float, triggered: bool) -> None:
        try:
            now = "acquire" if triggered or "acquire_now" not in self._ops else "acquire_now"
            self._ops[now](time_out_s)
            if "acquired" in self._ops:
                self._poll(time_out_s)
        except (InstrumentSilent, QueueError) as problem:
            self._sent.clear()
            refused = isinstance(problem, QueueError) and problem.number != TIME_OUT_ERROR
            if refused or not triggered:
                raise
            if "abort" in self._ops:
                self._ops["abort"]()
            else:
                self._link.identify()  # if it answers, it was only waiting for an edge
            raise NoResult(
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

    def _fetch(
        self, vertical: dict[int, Vertical], points: int, record: int, rate: float
    ) -> Capture:
        """The first ``points`` of a record."""
        volts: dict[int, NDArray[np.float64]] = {}
        lsb: dict[int, float] = {}
        clipped: dict[int, bool] = {}
        constant: dict[int, bool] = {}
        gain: dict[int, UFloat] = {}
        offset: dict[int, UFloat] = {}
        time_axis: Scaling | None = None
        for n, v in vertical.items():
            scale = self._scaling(n, v, rate, record)
            codes = self._codes(n, points)
            lowest, highest = codes.min(), codes.max()
            constant[n] = bool(lowest == highest)
            volts[n] = scale.volts(codes)
            if self._settings.in_volts:
                lsb[n] = v.full_scale / 2.0**self.bits
                largest = max(abs(float(lowest)), abs(float(highest))) * self._here(n)
                clipped[n] = largest >= v.full_scale / 2.0 - lsb[n]
            else:
                clipped[n] = bool(
                    lowest <= self._settings.lowest or highest >= self._settings.highest
                )
                lsb[n] = abs(scale.yincrement) * self._step(codes, clipped[n])
            gain[n], offset[n] = self._errors(n, v)
            if time_axis is not None and not math.isclose(
                time_axis.xincrement, scale.xincrement, rel_tol=1e-6
            ):
                self._no_scaling(n, "another time axis than the channel before", "")
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
            constant=constant,
        )

    def _here(self, channel: int) -> float:
        """The factor of a probe that is worked in here, because the scope is not told of it."""
        return 1.0 if self._knows_probes else self._probe[channel]

    def _scaling(self, channel: int, v: Vertical, rate: float, record: int) -> Scaling:
        """The preamble of a channel, seen to be possible.

        Raises:
            NotMeasured: a number that is none, or that cannot be that of what was set.
        """
        settings, answer = self._settings, ""
        try:
            fields: dict[str, float] = {}
            if settings.descriptor:
                data = self._ops["preamble"].block(0, channel=channel)
                answer = f"<{len(data)} bytes>"
                fields = preamble.from_descriptor(data, settings)
            elif "preamble" in self._ops:
                answer = self._ops["preamble"](channel=channel)
                if settings.keys:
                    fields = preamble.by_keyword(answer, settings)
                else:
                    fields = preamble.in_order(answer, settings, self._link.manners.headers)
            for name in SCALING:
                if name in self._ops and name != "preamble":
                    fields[name] = self._ops[name].number(channel=channel)
            found = preamble.scaling(fields, settings, self._here(channel), record)
            preamble.plausible(found, settings, v.full_scale, rate)
        except ValueError as problem:
            self._no_scaling(channel, str(problem), answer)
        return found

    def _no_scaling(self, channel: int, problem: str, answer: str) -> NoReturn:
        said = f' ("{answer[:80]}")' if answer else ""
        raise NotMeasured(
            f"the scaling of channel {channel} cannot be: {problem}{said}",
            expected="what was set, in numbers",
            where=self._link.where,
            hint="[scope] in the driver file tells what the fields of the preamble are",
        )

    def _codes(self, channel: int, points: int) -> NDArray[np.generic]:
        """The samples of a channel, at most ``points``, in as many pieces as it takes."""
        call, piece = self._ops["waveform"], self._settings.piece
        addressed = bool({"first", "start"} & call.names)
        size = piece if piece is not None and addressed else points
        parts: list[NDArray[np.generic]] = []
        have = 0
        while have < points:
            count = min(size, points - have)
            place = {"first": have + 1, "last": have + count, "start": have, "count": count}
            part = self._piece(channel, count, place)
            parts.append(part)
            have += len(part)
            if not addressed:
                break
            if len(part) < count:
                raise InstrumentError(
                    f"{len(part)} samples came of the {count} from {place['first']} on",
                    expected=f"{count} samples", where=self._link.where,
                )  # fmt: skip
        return (parts[0] if len(parts) == 1 else np.concatenate(parts))[:points]

    def _piece(self, channel: int, count: int, place: dict[str, int]) -> NDArray[np.generic]:
        call = self._ops["waveform"]
        if self._sample is None:
            text = call(channel=channel, **place)
            try:
                return numbers_of(text)
            except ValueError as problem:
                raise InstrumentError(
                    f"answered \"{text[:80]}\" for channel {channel}: {problem}",
                    expected="numbers between commas", where=self._link.where,
                ) from None  # fmt: skip
        size = self._sample.itemsize
        data = call.block(count * size, channel=channel, **place)
        if len(data) == 0 or len(data) % size:
            raise InstrumentError(
                f"{len(data)} bytes came for channel {channel}",
                expected=f"samples of {size} bytes each",
                where=self._link.where,
            )
        return np.frombuffer(data, self._sample)

    def _step(self, codes: NDArray[np.generic], clipped: bool) -> float:
        """Codes per converter step; finer when the instrument averaged several conversions."""
        if codes.dtype.kind == "f":  # codes as text
            return 1
        widest = 1 << max(0, self._settings.code_bits - self._settings.bits)
        return widest if clipped or widest == 1 else converter_step(codes, widest)

    def _errors(self, channel: int, v: Vertical) -> tuple[UFloat, UFloat]:
        """Gain (mean 1) and offset (V) of a channel; the errors belong to the attenuator step."""
        key = (channel, v.full_scale)
        if key not in self._variables:
            row = self._accuracy.row("voltage", v.step)
            gain, offset = self._accuracy.variables(row, v.step, f"channel {channel}")
            factor = (1.0 + gain) * self._ratios.get(channel, 1.0)
            self._variables[key] = (factor, offset * (v.full_scale / v.step))
        return self._variables[key]


def _two_figures_up(value: float) -> float:
    """The next number of two significant figures: a range that does not follow every digit of
    the signal, so that it is not set anew each time."""
    if value <= 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / unit - 1e-9) * unit
