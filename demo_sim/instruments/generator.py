"""The virtual generator's SCPI: two outputs with sine, square, two tones and bursts.

SOURce and OUTPut subsystems of SCPI-99, volume 2; a burst is a carrier with pulse modulation
(SOURce:PULM and :PULSe). Our own words, where the standard is silent: a second tone on the first,
and a pulse that is counted in whole periods of the carrier. Levels are V rms of the open circuit:
there is no other unit, and no load is reckoned with.
"""

from __future__ import annotations

import math
from typing import cast

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.base import Instrument
from demo_sim.instruments.generator_outputs import (
    GeneratorOutputs,
    Setting,
    Shape,
    peak_per_rms,
)
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import Boolean, Call, Choice, Integer, Numeric, ScpiError, command, query

_LOWEST_HZ, _HIGHEST_HZ = spec.GENERATOR_FREQUENCY_HZ
_MOST_V = spec.GENERATOR_MAX_V_RMS * math.sqrt(2.0)
_LONGEST_PERIOD_S = 200.0

_FREQUENCY = Numeric(unit="HZ", min=_LOWEST_HZ, max=_HIGHEST_HZ, default=400.0)
_LEVEL = Numeric(unit="V", min=0.0, max=spec.GENERATOR_MAX_V_RMS, default=0.0)
_OFFSET = Numeric(unit="V", min=-_MOST_V, max=_MOST_V, default=0.0)


class Generator(Instrument):
    """Each setting comes out at once, or is refused and leaves what was."""

    model = "SIMULATED GENERATOR"

    def __init__(
        self,
        world: Surroundings,
        key: str = "generator",
        serial: str = "0",
        outputs: int = spec.GENERATOR_OUTPUTS,
    ) -> None:
        super().__init__(world, key, serial)
        self.outputs = GeneratorOutputs(world, key, outputs)

    def reset(self) -> None:
        self.outputs.reset()

    def setting(self, call: Call) -> Setting:
        """Settings of the output that the command's numeric suffix names."""
        if call.suffix not in self.outputs.numbers:
            raise ScpiError(-114, f"{call.suffix} outside 1 to {len(self.outputs.numbers)}")
        return self.outputs.settings[call.suffix]

    def _change(self, call: Call, name: str, value: object) -> None:
        """Set one thing; a refused setting leaves the old one."""
        s = self.setting(call)
        before = getattr(s, name)
        if before == value:
            return  # it stands already, and its phase goes on
        setattr(s, name, value)
        peak = s.volts_rms * peak_per_rms(s.shape) + abs(s.offset_v)
        if s.second and s.shape == "SIN":
            peak += s.second_volts_rms * peak_per_rms(s.shape)
        if peak > _MOST_V * (1.0 + 1e-9):
            setattr(s, name, before)
            raise ScpiError(-221, "amplitude and offset together are more than comes out")
        if s.pulsed and s.burst_cycles / s.frequency_hz > s.burst_period_s:
            setattr(s, name, before)
            raise ScpiError(-221, "the pulse is longer than its period")
        self.outputs.apply(call.suffix)

    @command("[SOURce<1-2>:]FUNCtion[:SHAPe]", Choice("SINusoid", "SQUare"))
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

    @command("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", _LEVEL)
    def set_level(self, call: Call, volts_rms: float) -> None:
        self._change(call, "volts_rms", volts_rms)

    @query("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def level_query(self, call: Call) -> float:
        return self.setting(call).volts_rms

    @command("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate]:OFFSet", _OFFSET)
    def set_offset(self, call: Call, volts: float) -> None:
        self._change(call, "offset_v", volts)

    @query("[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate]:OFFSet")
    def offset_query(self, call: Call) -> float:
        return self.setting(call).offset_v

    # --- a second tone on the first --------------------------------------------------------
    @command("[SOURce<1-2>:]SECond[:STATe]", Boolean())
    def set_second(self, call: Call, on: bool) -> None:
        self._change(call, "second", on)

    @query("[SOURce<1-2>:]SECond[:STATe]")
    def second_query(self, call: Call) -> bool:
        return self.setting(call).second

    @command("[SOURce<1-2>:]SECond:FREQuency", _FREQUENCY)
    def set_second_frequency(self, call: Call, hz: float) -> None:
        self._change(call, "second_frequency_hz", hz)

    @query("[SOURce<1-2>:]SECond:FREQuency")
    def second_frequency_query(self, call: Call) -> float:
        return self.setting(call).second_frequency_hz

    @command("[SOURce<1-2>:]SECond:VOLTage", _LEVEL)
    def set_second_level(self, call: Call, volts_rms: float) -> None:
        self._change(call, "second_volts_rms", volts_rms)

    @query("[SOURce<1-2>:]SECond:VOLTage")
    def second_level_query(self, call: Call) -> float:
        return self.setting(call).second_volts_rms

    # --- bursts: a carrier with pulse modulation -------------------------------------------
    @command("[SOURce<1-2>:]PULM:STATe", Boolean())
    def set_pulsed(self, call: Call, on: bool) -> None:
        self._change(call, "pulsed", on)

    @query("[SOURce<1-2>:]PULM:STATe")
    def pulsed_query(self, call: Call) -> bool:
        return self.setting(call).pulsed

    @command("[SOURce<1-2>:]PULSe:CYCLes", Integer(min=1, max=250_000, default=1))
    def set_cycles(self, call: Call, cycles: int) -> None:
        self._change(call, "burst_cycles", cycles)

    @query("[SOURce<1-2>:]PULSe:CYCLes")
    def cycles_query(self, call: Call) -> int:
        return self.setting(call).burst_cycles

    @command(
        "[SOURce<1-2>:]PULSe:PERiod",
        Numeric(unit="S", min=1e-5, max=_LONGEST_PERIOD_S, default=0.25),
    )
    def set_period(self, call: Call, seconds: float) -> None:
        self._change(call, "burst_period_s", seconds)

    @query("[SOURce<1-2>:]PULSe:PERiod")
    def period_query(self, call: Call) -> float:
        return self.setting(call).burst_period_s

    # --- OUTPut ----------------------------------------------------------------------------
    @command("OUTPut<1-2>[:STATe]", Boolean())
    def switch(self, call: Call, on: bool) -> None:
        self.setting(call)
        self.outputs.switch(call.suffix, on)

    @query("OUTPut<1-2>[:STATe]")
    def switch_query(self, call: Call) -> bool:
        return self.setting(call).on
