"""The virtual scope's SCPI: four channels, one time base, records as binary blocks.

INPut, SENSe, TRIGger, INITiate, FORMat and TRACe subsystems of SCPI-99, volume 2, and the data
interchange format of volume 3 for what a record is in volts and seconds. Where the standard is
silent the words are our own: the attenuation of a probe, sampling faster than asked and averaging
within a sample, and how long to wait for an edge.
"""

from __future__ import annotations

import math
import re
from typing import Any, Literal, cast

import numpy as np

from demo_sim.instruments import scope_frontend as front
from demo_sim.instruments import specifications as spec
from demo_sim.instruments.base import Instrument
from demo_sim.instruments.scope_acquire import (
    ARM_S,
    Acquirer,
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
    Quoted,
    ScpiError,
    String,
    command,
    nr3,
    query,
)

TRANSFER_BYTES_PER_S = 20e6
WAITING_FOR_TRIGGER = 5  # bit of the operation conditions (SCPI-99 volume 1, 9.3)
_PROBES = (0.1, 1000.0)
_SENSED = re.compile(r"XTIM(?:E)?:VOLT(?:AGE)?(?::DC)? ([1-4])", re.IGNORECASE)


def _least_range(device: Any, call: Call) -> float:
    return float(spec.SCOPE_RANGE_PP_V[0] * device.channel(call).probe)


def _most_range(device: Any, call: Call) -> float:
    return float(spec.SCOPE_RANGE_PP_V[1] * device.channel(call).probe)


def _most_offset(device: Any, call: Call) -> float:
    """Half the widest range."""
    return 0.5 * _most_range(device, call)


def _least_offset(device: Any, call: Call) -> float:
    return -_most_offset(device, call)


def _most_level(device: Any, call: Call) -> float:
    """Two full scales to either side of the source's centre."""
    source: Channel = device.settings.channels[device.settings.trigger.source]
    return source.offset_v + 2.0 * source.range_pp_v


def _least_level(device: Any, call: Call) -> float:
    source: Channel = device.settings.channels[device.settings.trigger.source]
    return source.offset_v - 2.0 * source.range_pp_v


def _most_points(device: Any, call: Call) -> float:
    return float(device.memory)


class Scope(Instrument):
    """Clips are one node and are earth.

    Args:
        bits: width of the converter, 8 or 12. memory: longest record per channel, points.
    """

    model = "SIMULATED SCOPE"

    def __init__(
        self,
        world: Surroundings,
        key: str = "scope",
        serial: str = "0",
        bits: int = spec.SCOPE_BITS,
        memory: int = spec.SCOPE_MAX_POINTS,
    ) -> None:
        super().__init__(world, key, serial)
        self.memory = memory
        self.acquirer = Acquirer(world, key, bits)
        self.reset()

    def reset(self) -> None:
        self.acquirer.settings = Settings()
        self._armed_until: float | None = None
        self._record: Record | None = None
        self._integers, self._swapped = False, False

    @property
    def settings(self) -> Settings:
        return self.acquirer.settings

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
        if edge is not None or self.settings.trigger.automatic:
            self._take(triggered=edge is not None)
        elif self.world.now >= self._armed_until:
            self._armed_until = None
            self.push_error(ScpiError(-365, "no trigger"))

    def _take(self, triggered: bool) -> None:
        self._armed_until = None
        self._record = self.acquirer.acquire(triggered)

    @command("INITiate[:IMMediate]")
    def initiate(self, call: Call) -> None:
        """Arm for one record. The one before is gone."""
        if self._armed_until is not None:
            raise ScpiError(-213)
        self.acquirer.check()
        self._record = None
        self.world.advance(ARM_S)
        self._armed_until = self.world.now + self.settings.trigger.time_out_s
        self._look_for_trigger()

    @command("ABORt")
    def abort(self, call: Call) -> None:
        self._armed_until = None

    def trigger(self) -> None:
        if self._armed_until is None:
            raise ScpiError(-211)
        self._take(triggered=True)

    # --- SENSe -----------------------------------------------------------------------------
    def _sensed(self, function: str) -> Channel:
        """The channel of a sensor function such as "XTIMe:VOLTage 2"."""
        found = _SENSED.fullmatch(function.strip())
        if found is None:
            raise ScpiError(-224, function[:40])
        return self.settings.channels[int(found.group(1))]

    @command("[SENSe:]FUNCtion[:ON]", String())
    def sense(self, call: Call, function: str) -> None:
        """Acquire volts over time on one channel more; all that are on are acquired together."""
        self._sensed(function).sensed = True

    @command("[SENSe:]FUNCtion:OFF", String())
    def leave_out(self, call: Call, function: str) -> None:
        self._sensed(function).sensed = False

    @query("[SENSe:]FUNCtion[:ON]")
    def sensed_query(self, call: Call) -> tuple[Quoted, ...] | Quoted:
        names = [
            Quoted(f"XTIM:VOLT {n}")
            for n, channel in self.settings.channels.items()
            if channel.sensed
        ]
        return tuple(names) or Quoted("")

    @command(
        "[SENSe:]SWEep:TINTerval",
        Numeric(unit="S", min=1.0 / spec.SCOPE_MAX_RATE_HZ, max=1.0, default=2.5e-6),
    )
    def set_interval(self, call: Call, seconds: float) -> None:
        """From sample to sample; the next longer one that there is."""
        self.settings.rate_hz = available_rate(1.0 / seconds)

    @query("[SENSe:]SWEep:TINTerval")
    def interval_query(self, call: Call) -> float:
        return 1.0 / self.settings.rate_hz

    @command("[SENSe:]SWEep:POINts", Integer(min=10, max=_most_points, default=2_000))
    def set_points(self, call: Call, points: int) -> None:
        self.settings.points = points

    @query("[SENSe:]SWEep:POINts")
    def points_query(self, call: Call) -> int:
        return self.settings.points

    @command("[SENSe:]SWEep:OVERsample[:STATe]", Boolean())
    def set_oversampling(self, call: Call, on: bool) -> None:
        """Convert as fast as possible and average within each sample: fewer points, more bits."""
        self.settings.oversampling = on

    @query("[SENSe:]SWEep:OVERsample[:STATe]")
    def oversampling_query(self, call: Call) -> bool:
        return self.settings.oversampling

    @command("[SENSe:]AVERage[:STATe]", Boolean())
    def set_averaging(self, call: Call, on: bool) -> None:
        """Average sweep by sweep, each from its own edge."""
        self.settings.averaging = on

    @query("[SENSe:]AVERage[:STATe]")
    def averaging_query(self, call: Call) -> bool:
        return self.settings.averaging

    @command("[SENSe:]AVERage:COUNt", Integer(min=1, max=1000, default=10))
    def set_count(self, call: Call, count: int) -> None:
        self.settings.count = count

    @query("[SENSe:]AVERage:COUNt")
    def count_query(self, call: Call) -> int:
        return self.settings.count

    @command(
        "[SENSe:]VOLTage<1-4>[:DC]:RANGe:PTPeak",
        Numeric(unit="V", min=_least_range, max=_most_range, default=_most_range),
    )
    def set_range(self, call: Call, volts: float) -> None:
        self.channel(call).range_pp_v = volts

    @query("[SENSe:]VOLTage<1-4>[:DC]:RANGe:PTPeak")
    def range_query(self, call: Call) -> float:
        return self.channel(call).range_pp_v

    @command(
        "[SENSe:]VOLTage<1-4>[:DC]:RANGe:OFFSet",
        Numeric(unit="V", min=_least_offset, max=_most_offset, default=0.0),
    )
    def set_offset(self, call: Call, volts: float) -> None:
        self.channel(call).offset_v = volts

    @query("[SENSe:]VOLTage<1-4>[:DC]:RANGe:OFFSet")
    def offset_query(self, call: Call) -> float:
        return self.channel(call).offset_v

    # --- INPut -----------------------------------------------------------------------------
    @command("INPut<1-4>:COUPling", Choice("AC", "DC"))
    def set_coupling(self, call: Call, coupling: str) -> None:
        self.channel(call).coupling = cast(Literal["AC", "DC"], coupling)

    @query("INPut<1-4>:COUPling")
    def coupling_query(self, call: Call) -> str:
        return self.channel(call).coupling

    @command("INPut<1-4>:PROBe", Numeric(min=_PROBES[0], max=_PROBES[1], default=1.0))
    def set_probe(self, call: Call, factor: float) -> None:
        """The input's range stays as it is, and now stands for other volts at the tip."""
        channel = self.channel(call)
        channel.range_pp_v *= factor / channel.probe
        channel.offset_v *= factor / channel.probe
        channel.probe = factor

    @query("INPut<1-4>:PROBe")
    def probe_query(self, call: Call) -> float:
        return self.channel(call).probe

    # --- TRIGger ---------------------------------------------------------------------------
    @command("TRIGger[:SEQuence]:SOURce", Choice("INTernal<1-4>"))
    def set_trigger_source(self, call: Call, source: str) -> None:
        self.settings.trigger.source = int(source[-1])

    @query("TRIGger[:SEQuence]:SOURce")
    def trigger_source_query(self, call: Call) -> str:
        return f"INT{self.settings.trigger.source}"

    @command(
        "TRIGger[:SEQuence]:LEVel",
        Numeric(unit="V", min=_least_level, max=_most_level, default=0.0),
    )
    def set_level(self, call: Call, volts: float) -> None:
        self.settings.trigger.level_v = volts

    @query("TRIGger[:SEQuence]:LEVel")
    def level_query(self, call: Call) -> float:
        return self.settings.trigger.level_v

    @command("TRIGger[:SEQuence]:SLOPe", Choice("POSitive", "NEGative"))
    def set_slope(self, call: Call, slope: str) -> None:
        self.settings.trigger.rising = slope == "POS"

    @query("TRIGger[:SEQuence]:SLOPe")
    def slope_query(self, call: Call) -> str:
        return "POS" if self.settings.trigger.rising else "NEG"

    @command("TRIGger[:SEQuence]:ATRigger[:STATe]", Boolean())
    def set_automatic(self, call: Call, on: bool) -> None:
        """Whether a record is taken without an edge when none comes."""
        self.settings.trigger.automatic = on

    @query("TRIGger[:SEQuence]:ATRigger[:STATe]")
    def automatic_query(self, call: Call) -> bool:
        return self.settings.trigger.automatic

    @command("TRIGger[:SEQuence]:PATience", Numeric(unit="S", min=0.001, max=100.0, default=10.0))
    def set_patience(self, call: Call, seconds: float) -> None:
        """How long to wait for an edge; then the acquisition ends without a record."""
        self.settings.trigger.time_out_s = seconds

    @query("TRIGger[:SEQuence]:PATience")
    def patience_query(self, call: Call) -> float:
        return self.settings.trigger.time_out_s

    # --- FORMat and TRACe ------------------------------------------------------------------
    @command("FORMat[:DATA]", Choice("ASCii", "INTeger"), Integer(min=16, max=16, optional=True))
    def set_format(self, call: Call, name: str, bits: int | None) -> None:
        """ASCii: volts as text. INTeger,16: codes as a block of signed numbers."""
        self._integers = name == "INT"

    @query("FORMat[:DATA]")
    def format_query(self, call: Call) -> str:
        return "INT,16" if self._integers else "ASC"

    @command("FORMat:BORDer", Choice("NORMal", "SWAPped"))
    def set_byte_order(self, call: Call, order: str) -> None:
        """NORMal sends the most significant byte first, SWAPped the least significant."""
        self._swapped = order == "SWAP"

    @query("FORMat:BORDer")
    def byte_order_query(self, call: Call) -> str:
        return "SWAP" if self._swapped else "NORM"

    @query("TRACe[:DATA]:PREamble", Choice("CH<1-4>"))
    def preamble(self, call: Call, name: str) -> str:
        """All of the data interchange form of a record but its curve: per dimension a scale and an
        offset, so that volts = scale · code + offset, and seconds by the number of the sample."""
        record, trace = self._readable(name)
        return (
            "(DIF (VERS 1999.0) ENC (FORM INT16) "
            f"DIM=X (TYPE IMPL SCAL {nr3(record.increment_s)} OFFS {nr3(record.origin_s)} "
            f'SIZE {len(trace.codes)} UNIT "S") '
            f'DIM=Y (TYPE EXPL SCAL {nr3(trace.increment_v)} OFFS {nr3(trace.offset_v)} UNIT "V"))'
        )

    @query("TRACe[:DATA]", Choice("CH<1-4>"))
    def data(self, call: Call, name: str) -> Any:
        """Codes as a definite-length block, or volts as text."""
        _, trace = self._readable(name)
        answer: Any
        if self._integers:
            # The same bits with the highest turned over: from 0…65535 to −32768…32767.
            codes = (trace.codes ^ np.uint16(front.CENTRE)).view(np.int16)
            answer = codes.astype("<i2" if self._swapped else ">i2", copy=False)
            size = answer.nbytes
        else:
            answer = Ascii(_as_text(trace))
            size = len(answer)
        self.world.advance(math.ceil(size) / TRANSFER_BYTES_PER_S)
        return answer

    def _readable(self, name: str) -> tuple[Record, Trace]:
        """The record and its trace of the named channel."""
        if self._record is None:
            raise ScpiError(-230, "no record")
        trace = self._record.traces.get(int(name[-1]))
        if trace is None:
            raise ScpiError(-221, f"{name} was not acquired")
        return self._record, trace


def _as_text(trace: Trace) -> bytes:
    """Volts of a trace, comma separated. Codes repeat: each is written out once."""
    codes, which = np.unique(trace.codes, return_inverse=True)
    volts = (codes - float(front.CENTRE)) * trace.increment_v + trace.offset_v
    texts = [f"{v:.5E}" for v in volts.tolist()]
    return ",".join([texts[i] for i in which.tolist()]).encode("ascii")
