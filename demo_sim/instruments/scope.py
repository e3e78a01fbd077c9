"""The virtual scope's SCPI: four channels, one time base, records as binary blocks."""

from __future__ import annotations

import math
from typing import Any, Literal, cast

import numpy as np

from demo_sim.instruments import scope_frontend as front
from demo_sim.instruments import specifications as spec
from demo_sim.instruments.saving import SavingInstrument
from demo_sim.instruments.scope_acquire import (
    ARM_S,
    RATE_STEPS,
    Acquirer,
    Acquisition,
    Channel,
    Record,
    Settings,
    Trace,
    available_rate,
)
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import (
    Ascii,
    Boolean,
    Call,
    Choice,
    Integer,
    Numeric,
    ScpiError,
    command,
    query,
)

TRANSFER_BYTES_PER_S = 20e6
WAITING_FOR_TRIGGER = 5  # bit of the operation conditions
_FORMATS = {"BYTE": 0, "WORD": 1, "ASC": 2}
_KINDS = {"NORM": 0, "AVER": 1, "HRES": 2}
_LOWEST_RATE_HZ = RATE_STEPS[0]
_PROBES = (0.1, 1000.0)


def _least_range(device: Any, call: Call) -> float:
    return float(spec.SCOPE_RANGE_PP_V[0] * device.channel(call).probe)


def _most_range(device: Any, call: Call) -> float:
    return float(spec.SCOPE_RANGE_PP_V[1] * device.channel(call).probe)


def _most_offset(device: Any, call: Call) -> float:
    """Half the widest screen."""
    return 0.5 * _most_range(device, call)


def _least_offset(device: Any, call: Call) -> float:
    return -_most_offset(device, call)


def _most_level(device: Any, call: Call) -> float:
    """Two screens to either side of the source's centre."""
    source: Channel = device.settings.channels[device.settings.trigger.source]
    return source.offset_v + 2.0 * source.range_pp_v


def _least_level(device: Any, call: Call) -> float:
    source: Channel = device.settings.channels[device.settings.trigger.source]
    return source.offset_v - 2.0 * source.range_pp_v


class Scope(SavingInstrument):
    """``bits`` is the converter's width, 8 or 12. Clips are one node and are earth."""

    model = "SIMULATED SCOPE"
    kept = ("settings", "_source", "_format", "_lsb_first")

    def __init__(
        self,
        world: Surroundings,
        key: str = "scope",
        serial: str = "0",
        bits: int = spec.SCOPE_BITS,
    ) -> None:
        super().__init__(world, key, serial)
        self.acquirer = Acquirer(world, key, bits)
        self._running = False
        self._armed_until: float | None = None
        self._record: Record | None = None
        self._source = 1
        self._format: Literal["BYTE", "WORD", "ASC"] = "WORD"
        self._lsb_first = False

    def reset(self) -> None:
        self.acquirer.settings = Settings()
        self._running, self._armed_until, self._record = False, None, None
        self._source, self._format, self._lsb_first = 1, "WORD", False

    @property
    def settings(self) -> Settings:
        return self.acquirer.settings

    @settings.setter
    def settings(self, settings: Settings) -> None:
        self.acquirer.settings = settings

    def channel(self, call: Call) -> Channel:
        return self.settings.channels[call.suffix]

    # --- acquisition -----------------------------------------------------------------------
    def operation_pending(self) -> bool:
        return self._armed_until is not None

    def wait_operations(self) -> None:
        while self._armed_until is not None:
            self._look_for_trigger()

    def update_conditions(self) -> None:
        self.operation.set_bit(WAITING_FOR_TRIGGER, self._armed_until is not None)

    def begin_message(self) -> None:
        super().begin_message()
        if self._armed_until is not None:
            self._look_for_trigger()

    def _look_for_trigger(self) -> None:
        """One look of limited length; then a record, another look later, or the time-out."""
        assert self._armed_until is not None
        edge = self.acquirer.wait_for_edge()
        if edge is not None or self.settings.trigger.sweep == "AUTO":
            self._take(triggered=edge is not None)
        elif self.world.now >= self._armed_until:
            self._armed_until = None
            self.push_error(ScpiError(-365, "no trigger"))

    def _take(self, triggered: bool) -> None:
        self._armed_until = None
        self._record = self.acquirer.acquire(triggered)

    @command("SINGle")
    def single(self, call: Call) -> None:
        """Arm for one record. The one before is gone."""
        self.acquirer.check()
        self._running, self._record = False, None
        self.world.advance(ARM_S)
        self._armed_until = self.world.now + self.settings.trigger.time_out_s
        self._look_for_trigger()

    @command("RUN")
    def run(self, call: Call) -> None:
        """Acquire again and again; what is read out is a record of that moment."""
        self.acquirer.check()
        self._running, self._armed_until = True, None

    @command("STOP")
    def stop(self, call: Call) -> None:
        self._running, self._armed_until = False, None

    def trigger(self) -> None:
        if self._armed_until is None:
            raise ScpiError(-211)
        self._take(triggered=True)

    @command("TRIGger:FORCe")
    def force_trigger(self, call: Call) -> None:
        self.trigger()

    @query("TRIGger:STATus")
    def trigger_status(self, call: Call) -> str:
        """RUN, WAIT (armed), STOP (a record is there, or nothing was asked for)."""
        if self._running:
            return "RUN"
        return "WAIT" if self._armed_until is not None else "STOP"

    @command("ACQuire:SRATe", Numeric(unit="HZ", min=_LOWEST_RATE_HZ, default=1e6))
    def set_rate(self, call: Call, hz: float) -> None:
        self.settings.rate_hz = available_rate(hz)

    @query("ACQuire:SRATe")
    def rate_query(self, call: Call) -> float:
        return self.settings.rate_hz

    @command("ACQuire:POINts", Integer(min=10, max=spec.SCOPE_MAX_POINTS, default=10_000))
    def set_points(self, call: Call, points: int) -> None:
        self.settings.points = points

    @query("ACQuire:POINts")
    def points_query(self, call: Call) -> int:
        return self.settings.points

    @command("ACQuire:TYPE", Choice("NORMal", "AVERage", "HRESolution"))
    def set_type(self, call: Call, kind: str) -> None:
        self.settings.kind = cast(Acquisition, kind)

    @query("ACQuire:TYPE")
    def type_query(self, call: Call) -> str:
        return self.settings.kind

    @command("ACQuire:COUNt", Integer(min=1, max=1024, default=8))
    def set_count(self, call: Call, count: int) -> None:
        self.settings.count = count

    @query("ACQuire:COUNt")
    def count_query(self, call: Call) -> int:
        return self.settings.count

    # --- channels --------------------------------------------------------------------------
    @command("CHANnel<1-4>:DISPlay", Boolean())
    def set_shown(self, call: Call, on: bool) -> None:
        self.channel(call).shown = on

    @query("CHANnel<1-4>:DISPlay")
    def shown_query(self, call: Call) -> bool:
        return self.channel(call).shown

    @command(
        "CHANnel<1-4>:RANGe",
        Numeric(unit="V", min=_least_range, max=_most_range, default=_most_range),
    )
    def set_range(self, call: Call, volts: float) -> None:
        self.channel(call).range_pp_v = volts

    @query("CHANnel<1-4>:RANGe")
    def range_query(self, call: Call) -> float:
        return self.channel(call).range_pp_v

    @command(
        "CHANnel<1-4>:OFFSet",
        Numeric(unit="V", min=_least_offset, max=_most_offset, default=0.0),
    )
    def set_offset(self, call: Call, volts: float) -> None:
        self.channel(call).offset_v = volts

    @query("CHANnel<1-4>:OFFSet")
    def offset_query(self, call: Call) -> float:
        return self.channel(call).offset_v

    @command("CHANnel<1-4>:COUPling", Choice("AC", "DC"))
    def set_coupling(self, call: Call, coupling: str) -> None:
        self.channel(call).coupling = cast(Literal["AC", "DC"], coupling)

    @query("CHANnel<1-4>:COUPling")
    def coupling_query(self, call: Call) -> str:
        return self.channel(call).coupling

    @command("CHANnel<1-4>:PROBe", Numeric(min=_PROBES[0], max=_PROBES[1], default=1.0))
    def set_probe(self, call: Call, factor: float) -> None:
        """The screen stays as it is; its divisions now stand for other volts."""
        channel = self.channel(call)
        channel.range_pp_v *= factor / channel.probe
        channel.offset_v *= factor / channel.probe
        channel.probe = factor

    @query("CHANnel<1-4>:PROBe")
    def probe_query(self, call: Call) -> float:
        return self.channel(call).probe

    @command("CHANnel<1-4>:BWLimit", Boolean())
    def set_limited(self, call: Call, on: bool) -> None:
        self.channel(call).limited = on

    @query("CHANnel<1-4>:BWLimit")
    def limited_query(self, call: Call) -> bool:
        return self.channel(call).limited

    # --- trigger ---------------------------------------------------------------------------
    @command("TRIGger:SOURce", Choice("CHANnel<1-4>"))
    def set_trigger_source(self, call: Call, source: str) -> None:
        self.settings.trigger.source = int(source[-1])

    @query("TRIGger:SOURce")
    def trigger_source_query(self, call: Call) -> str:
        return f"CHAN{self.settings.trigger.source}"

    @command("TRIGger:LEVel", Numeric(unit="V", min=_least_level, max=_most_level, default=0.0))
    def set_level(self, call: Call, volts: float) -> None:
        self.settings.trigger.level_v = volts

    @query("TRIGger:LEVel")
    def level_query(self, call: Call) -> float:
        return self.settings.trigger.level_v

    @command("TRIGger:SLOPe", Choice("POSitive", "NEGative"))
    def set_slope(self, call: Call, slope: str) -> None:
        self.settings.trigger.rising = slope == "POS"

    @query("TRIGger:SLOPe")
    def slope_query(self, call: Call) -> str:
        return "POS" if self.settings.trigger.rising else "NEG"

    @command("TRIGger:SWEep", Choice("AUTO", "NORMal"))
    def set_sweep(self, call: Call, sweep: str) -> None:
        self.settings.trigger.sweep = cast(Literal["AUTO", "NORM"], sweep)

    @query("TRIGger:SWEep")
    def sweep_query(self, call: Call) -> str:
        return self.settings.trigger.sweep

    @command("TRIGger:TIMeout", Numeric(unit="S", min=0.001, max=100.0, default=10.0))
    def set_time_out(self, call: Call, seconds: float) -> None:
        self.settings.trigger.time_out_s = seconds

    @query("TRIGger:TIMeout")
    def time_out_query(self, call: Call) -> float:
        return self.settings.trigger.time_out_s

    # --- records ---------------------------------------------------------------------------
    @command("WAVeform:SOURce", Choice("CHANnel<1-4>"))
    def set_source(self, call: Call, source: str) -> None:
        self._source = int(source[-1])

    @query("WAVeform:SOURce")
    def source_query(self, call: Call) -> str:
        return f"CHAN{self._source}"

    @command("WAVeform:FORMat", Choice("WORD", "BYTE", "ASCii"))
    def set_format(self, call: Call, name: str) -> None:
        self._format = cast(Literal["BYTE", "WORD", "ASC"], name)

    @query("WAVeform:FORMat")
    def format_query(self, call: Call) -> str:
        return self._format

    @command("WAVeform:BYTeorder", Choice("LSBFirst", "MSBFirst"))
    def set_byte_order(self, call: Call, order: str) -> None:
        self._lsb_first = order == "LSBF"

    @query("WAVeform:BYTeorder")
    def byte_order_query(self, call: Call) -> str:
        return "LSBF" if self._lsb_first else "MSBF"

    @query("WAVeform:POINts")
    def record_points(self, call: Call) -> int:
        record = self._record
        trace = record.traces.get(self._source) if record is not None else None
        return 0 if trace is None else len(trace.codes)

    @query("WAVeform:PREamble")
    def preamble(self, call: Call) -> tuple[int | float, ...]:
        """format, type, points, count, x increment, origin, reference, y increment, origin,
        reference; volts = (code − reference) · increment + origin."""
        record, trace = self._readable()
        fine = 1 if self._format == "WORD" else front.CODES >> 8
        return (
            _FORMATS[self._format],
            _KINDS[record.kind],
            len(trace.codes),
            record.count,
            record.increment_s,
            record.origin_s,
            0,
            trace.increment_v * fine,
            trace.offset_v,
            front.CENTRE // fine,
        )

    @query("WAVeform:DATA")
    def data(self, call: Call) -> Any:
        """Codes as a definite-length block, or volts as text."""
        _, trace = self._readable(fresh=self._running)
        answer: Any
        if self._format == "ASC":
            answer = Ascii(_as_text(trace))
            size = len(answer)
        elif self._format == "BYTE":
            answer = (trace.codes >> 8).astype(np.uint8)
            size = answer.nbytes
        else:
            answer = trace.codes.astype("<u2" if self._lsb_first else ">u2", copy=False)
            size = answer.nbytes
        self.world.advance(math.ceil(size) / TRANSFER_BYTES_PER_S)
        return answer

    def _readable(self, fresh: bool = False) -> tuple[Record, Trace]:
        """The record and its trace of the chosen source."""
        if self._running and (fresh or self._record is None):
            edge = self.acquirer.wait_for_edge()
            if edge is not None or self.settings.trigger.sweep == "AUTO":
                self._record = self.acquirer.acquire(edge is not None)
        if self._record is None:
            raise ScpiError(-230, "no record")
        trace = self._record.traces.get(self._source)
        if trace is None:
            raise ScpiError(-221, f"channel {self._source} was not acquired")
        return self._record, trace


def _as_text(trace: Trace) -> bytes:
    """Volts of a trace, comma separated. Codes repeat: each is written out once."""
    codes, which = np.unique(trace.codes, return_inverse=True)
    volts = (codes - float(front.CENTRE)) * trace.increment_v + trace.offset_v
    texts = [f"{v:.5E}" for v in volts.tolist()]
    return ",".join([texts[i] for i in which.tolist()]).encode("ascii")
