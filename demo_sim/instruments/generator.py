"""The virtual generator's SCPI: two outputs with sine, square, two-tone and burst."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, cast

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.generator_outputs import (
    GeneratorOutputs,
    Setting,
    Shape,
    Unit,
    from_rms,
    to_rms,
)
from demo_sim.instruments.saving import SavingInstrument
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import (
    Boolean,
    Call,
    Choice,
    Integer,
    Numeric,
    Quoted,
    ScpiError,
    command,
    nr3,
    query,
)

_LOWEST_HZ, _HIGHEST_HZ = spec.GENERATOR_FREQUENCY_HZ
_LONGEST_PERIOD_S = 500.0


def _least(device: Any, call: Call) -> float:
    s: Setting = device.setting(call)
    return from_rms(0.0, s.unit, s.shape)


def _most(device: Any, call: Call) -> float:
    s: Setting = device.setting(call)
    return from_rms(device.outputs.largest_rms(call.suffix), s.unit, s.shape)


def _default(device: Any, call: Call) -> float:
    s: Setting = device.setting(call)
    return from_rms(0.1, s.unit, s.shape)


def _most_offset(device: Any, call: Call) -> float:
    return float(device.outputs.largest_rms(call.suffix)) * math.sqrt(2.0)


def _least_offset(device: Any, call: Call) -> float:
    return -_most_offset(device, call)


_LEVEL = Numeric(unit="V", min=_least, max=_most, default=_default)
_FREQUENCY = Numeric(unit="HZ", min=_LOWEST_HZ, max=_HIGHEST_HZ, default=1000.0)
_OFFSET = Numeric(unit="V", min=_least_offset, max=_most_offset, default=0.0)
_APPLIED = tuple(replace(parameter, optional=True) for parameter in (_FREQUENCY, _LEVEL, _OFFSET))


class Generator(SavingInstrument):
    """Amplitudes are into the declared load, which is high impedance after *RST."""

    model = "SIMULATED GENERATOR"
    kept = ("settings",)

    def __init__(self, world: Surroundings, key: str = "generator", serial: str = "0") -> None:
        super().__init__(world, key, serial)
        self.outputs = GeneratorOutputs(world, key)

    def reset(self) -> None:
        self.outputs.reset()

    @property
    def settings(self) -> dict[int, Setting]:
        return self.outputs.settings

    @settings.setter
    def settings(self, settings: dict[int, Setting]) -> None:
        self.outputs.settings = settings

    def recalled(self) -> None:
        for number in self.outputs.numbers:
            self.outputs.apply(number)

    def setting(self, call: Call) -> Setting:
        """Settings of the output that the command's numeric suffix names."""
        return self.outputs.settings[call.suffix]

    def _apply(self, call: Call) -> None:
        """Refuse what cannot come out; else put it out."""
        s = self.setting(call)
        peak = s.volts_rms * (1.0 if s.shape == "SQU" else math.sqrt(2.0)) + abs(s.offset_v)
        if s.shape == "DUAL":
            peak += s.second_volts_rms * math.sqrt(2.0)
        if peak > self.outputs.largest_rms(call.suffix) * math.sqrt(2.0) * (1.0 + 1e-9):
            raise ScpiError(-221, "amplitude and offset together are more than comes out")
        self.outputs.apply(call.suffix)

    def _change(self, call: Call, name: str, value: object) -> None:
        """Set one thing; a refused setting leaves the old one."""
        s = self.setting(call)
        before = getattr(s, name)
        setattr(s, name, value)
        try:
            self._apply(call)
        except ScpiError:
            setattr(s, name, before)
            raise

    @command("[SOURce<1-2>:]FUNCtion[:SHAPe]", Choice("SINusoid", "SQUare", "DUAL"))
    def set_function(self, call: Call, shape: str) -> None:
        self._change(call, "shape", cast(Shape, shape))

    @query("[SOURce<1-2>:]FUNCtion[:SHAPe]")
    def function_query(self, call: Call) -> str:
        return self.setting(call).shape

    @command("[SOURce<1-2>:]FREQuency[:CW]", _FREQUENCY)
    def set_frequency(self, call: Call, hz: float) -> None:
        self._change(call, "frequency_hz", hz)

    @query("[SOURce<1-2>:]FREQuency[:CW]")
    def frequency_query(self, call: Call) -> float:
        return self.setting(call).frequency_hz

    @command("[SOURce<1-2>:]VOLTage:UNIT", Choice("VRMS", "VPP", "VPEak", "DBU"))
    def set_unit(self, call: Call, unit: str) -> None:
        self.setting(call).unit = cast(Unit, unit)

    @query("[SOURce<1-2>:]VOLTage:UNIT")
    def unit_query(self, call: Call) -> str:
        return self.setting(call).unit

    @command("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", _LEVEL)
    def set_level(self, call: Call, level: float) -> None:
        s = self.setting(call)
        self._change(call, "volts_rms", _rms(level, s))

    @query("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def level_query(self, call: Call) -> float:
        s = self.setting(call)
        return from_rms(s.volts_rms, s.unit, s.shape)

    @command("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate]:OFFSet", _OFFSET)
    def set_offset(self, call: Call, volts: float) -> None:
        self._change(call, "offset_v", volts)

    @query("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate]:OFFSet")
    def offset_query(self, call: Call) -> float:
        return self.setting(call).offset_v

    @command("[SOURce<1-2>:]DUAL:FREQuency2", _FREQUENCY)
    def set_second_frequency(self, call: Call, hz: float) -> None:
        self._change(call, "second_frequency_hz", hz)

    @query("[SOURce<1-2>:]DUAL:FREQuency2")
    def second_frequency_query(self, call: Call) -> float:
        return self.setting(call).second_frequency_hz

    @command("[SOURce<1-2>:]DUAL:VOLTage2", _LEVEL)
    def set_second_level(self, call: Call, level: float) -> None:
        s = self.setting(call)
        self._change(call, "second_volts_rms", _rms(level, s))

    @query("[SOURce<1-2>:]DUAL:VOLTage2")
    def second_level_query(self, call: Call) -> float:
        s = self.setting(call)
        return from_rms(s.second_volts_rms, s.unit, s.shape)

    @command("[SOURce<1-2>:]BURSt:STATe", Boolean())
    def set_burst(self, call: Call, on: bool) -> None:
        s = self.setting(call)
        if on and s.burst_cycles / s.frequency_hz > s.burst_period_s:
            raise ScpiError(-221, "the burst is longer than its period")
        self._change(call, "burst", on)

    @query("[SOURce<1-2>:]BURSt:STATe")
    def burst_query(self, call: Call) -> bool:
        return self.setting(call).burst

    @command("[SOURce<1-2>:]BURSt:NCYCles", Integer(min=1, max=1_000_000, default=1))
    def set_cycles(self, call: Call, cycles: int) -> None:
        self._change(call, "burst_cycles", cycles)

    @query("[SOURce<1-2>:]BURSt:NCYCles")
    def cycles_query(self, call: Call) -> int:
        return self.setting(call).burst_cycles

    @command(
        "[SOURce<1-2>:]BURSt:INTernal:PERiod",
        Numeric(unit="S", min=1e-5, max=_LONGEST_PERIOD_S, default=0.1),
    )
    def set_period(self, call: Call, seconds: float) -> None:
        self._change(call, "burst_period_s", seconds)

    @query("[SOURce<1-2>:]BURSt:INTernal:PERiod")
    def period_query(self, call: Call) -> float:
        return self.setting(call).burst_period_s

    # --- everything at once ----------------------------------------------------------------
    def _apply_all(self, call: Call, shape: Shape, hz: Any, level: Any, offset: Any) -> None:
        """Shape, frequency, level and offset together, and the output on; what is left out, or
        DEFault, keeps nothing of what was set before (1 kHz, 0.1 V rms, 0 V)."""
        s = self.setting(call)
        wanted = Setting(shape=shape, unit=s.unit, load_ohm=s.load_ohm, on=True)
        if hz is not None:
            wanted.frequency_hz = hz
        if level is not None:
            wanted.volts_rms = _rms(level, replace(s, shape=shape))
        if offset is not None:
            wanted.offset_v = offset
        self.outputs.settings[call.suffix] = wanted
        try:
            self._apply(call)
        except ScpiError:
            self.outputs.settings[call.suffix] = s
            raise

    @command("[SOURce<1-2>:]APPLy:SINusoid", *_APPLIED)
    def apply_sine(self, call: Call, hz: Any, level: Any, offset: Any) -> None:
        self._apply_all(call, "SIN", hz, level, offset)

    @command("[SOURce<1-2>:]APPLy:SQUare", *_APPLIED)
    def apply_square(self, call: Call, hz: Any, level: Any, offset: Any) -> None:
        self._apply_all(call, "SQU", hz, level, offset)

    @query("[SOURce<1-2>:]APPLy")
    def applied(self, call: Call) -> Quoted:
        """Shape, frequency, level and offset as a string."""
        s = self.setting(call)
        level = from_rms(s.volts_rms, s.unit, s.shape)
        return Quoted(f"{s.shape} {nr3(s.frequency_hz)},{nr3(level)},{nr3(s.offset_v)}")

    @command("OUTPut<1-2>[:STATe]", Boolean())
    def switch(self, call: Call, on: bool) -> None:
        self.outputs.switch(call.suffix, on)

    @query("OUTPut<1-2>[:STATe]")
    def switch_query(self, call: Call) -> bool:
        return self.setting(call).on

    @command(
        "OUTPut<1-2>:LOAD",
        Numeric(unit="OHM", min=1.0, max=1e6, default=50.0, words=("INFinity",)),
    )
    def set_load(self, call: Call, ohms: float) -> None:
        self._change(call, "load_ohm", ohms)

    @query("OUTPut<1-2>:LOAD")
    def load_query(self, call: Call) -> float:
        return self.setting(call).load_ohm


def _rms(level: float, s: Setting) -> float:
    """V rms of a level; the least level in dBu means nothing comes out."""
    return 0.0 if level <= from_rms(0.0, s.unit, s.shape) else to_rms(level, s.unit, s.shape)
