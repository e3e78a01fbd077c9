"""The virtual meter's SCPI: one input, one function at a time.

Measurement instructions, SENSe and TRIGger subsystems of SCPI-99, volume 2; the sensor types of
CONFigure:TEMPerature are our own words.
"""

from __future__ import annotations

import math
from typing import Any

from demo_sim.instruments import temperature
from demo_sim.instruments.base import Instrument
from demo_sim.instruments.meter_front import OVERLOAD, Function, MeterFront
from demo_sim.instruments.meter_settings import (
    RANGES,
    FunctionSettings,
    SenseCommands,
    TemperatureSettings,
    nplc_for_resolution,
    resolution_of,
)
from demo_sim.instruments.specifications import METER_TEMPERATURE_K
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import (
    Ascii,
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

LONGEST_MEMORY = 2_500
TERMINAL_CELSIUS = 23.0  # the input terminals, where a thermocouple's cold end is
READING_BYTES_PER_S = 50_000.0

_RESOLUTION = Numeric(words=("DEFault", "MINimum", "MAXimum"), optional=True)


def _range_of(unit: str, function: Function) -> Numeric:
    return Numeric(
        unit=unit,
        min=0.0,
        max=RANGES[function][-1],
        words=("AUTO", "DEFault", "MINimum", "MAXimum"),
        optional=True,
    )


_VOLTS_DC = _range_of("V", "dc_voltage")
_VOLTS_AC = _range_of("V", "ac_voltage")
_AMPERES = _range_of("A", "dc_current")
_OHMS = _range_of("OHM", "resistance_4w")
_SENSOR = Choice("FRTD", "RTD", "TCouple", "THERmistor")
_SENSOR_TYPE = Numeric(words=("K", "J", "T", "DEFault"), optional=True)


class Meter(SenseCommands, Instrument):
    """CONFigure sets a function with the defaults of everything else; INITiate fills the memory.

    ``four_wire`` False is a meter without sense terminals: the words are unknown to it.
    """

    model = "SIMULATED METER"

    def __init__(
        self,
        world: Surroundings,
        key: str = "meter",
        serial: str = "0",
        line_hz: float = 50.0,
        four_wire: bool = True,
    ) -> None:
        super().__init__(world, key, serial)
        self.four_wire = four_wire
        self.front = MeterFront(world, key, line_hz)
        self._offset_k = world.rng(f"{key}.hidden.temperature").uniform(-1.0, 1.0)
        self._memory: list[float] = []
        self.reset()

    def reset(self) -> None:
        self.settings = {function: FunctionSettings() for function in RANGES}
        self.temperature = TemperatureSettings()
        self.function: Function | None = "dc_voltage"  # None: temperature
        self.triggers, self.source = 1, "IMM"
        self._memory.clear()
        self._waiting = 0  # triggers still to come before the burst is complete

    # --- what to measure -------------------------------------------------------------------
    def configure(self, function: Function, range_: Any, resolution: Any) -> None:
        """The function with one reading per immediate trigger; range None, AUTO, DEF or a value."""
        if function == "resistance_4w" and not self.four_wire:
            raise ScpiError(-241, "there are no sense terminals")
        settings = FunctionSettings()
        scales = RANGES[function]
        if range_ == "MIN":
            settings.full_scale = scales[0]
        elif range_ == "MAX":
            settings.full_scale = scales[-1]
        elif isinstance(range_, float | int):
            settings.full_scale = next((s for s in scales if range_ <= s), scales[-1])
        if isinstance(resolution, float | int) and settings.full_scale is not None:
            settings.nplc = nplc_for_resolution(float(resolution) / settings.full_scale)
        self.settings[function] = settings
        self._begin(function)

    def _begin(self, function: Function | None) -> None:
        self.function = function
        self.triggers, self.source, self._waiting = 1, "IMM", 0
        self._memory.clear()

    @command("CONFigure[:SCALar]:VOLTage[:DC]", _VOLTS_DC, _RESOLUTION)
    def configure_dc_voltage(self, call: Call, range_: Any, resolution: Any) -> None:
        self.configure("dc_voltage", range_, resolution)

    @command("CONFigure[:SCALar]:VOLTage:AC", _VOLTS_AC, _RESOLUTION)
    def configure_ac_voltage(self, call: Call, range_: Any, resolution: Any) -> None:
        self.configure("ac_voltage", range_, resolution)

    @command("CONFigure[:SCALar]:CURRent[:DC]", _AMPERES, _RESOLUTION)
    def configure_current(self, call: Call, range_: Any, resolution: Any) -> None:
        self.configure("dc_current", range_, resolution)

    @command("CONFigure[:SCALar]:RESistance", _OHMS, _RESOLUTION)
    def configure_resistance(self, call: Call, range_: Any, resolution: Any) -> None:
        self.configure("resistance_2w", range_, resolution)

    @command("CONFigure[:SCALar]:FRESistance", _OHMS, _RESOLUTION)
    def configure_four_wire(self, call: Call, range_: Any, resolution: Any) -> None:
        self.configure("resistance_4w", range_, resolution)

    @command("CONFigure[:SCALar]:TEMPerature", _SENSOR, _SENSOR_TYPE)
    def configure_temperature(self, call: Call, sensor: str, kind: Any) -> None:
        if sensor == "FRTD" and not self.four_wire:
            raise ScpiError(-241, "there are no sense terminals")
        chosen = TemperatureSettings()
        chosen.choose(sensor, kind)
        self.temperature = chosen
        self._begin(None)

    @query("CONFigure")
    def configuration(self, call: Call) -> Quoted:
        """Function, range and resolution as a string."""
        if self.function is None:
            t = self.temperature
            return Quoted(f"TEMP {t.sensor},{t.kind}")
        settings = self.settings[self.function]
        scale = settings.full_scale
        resolution = resolution_of(settings.nplc) * (scale or RANGES[self.function][-1])
        return Quoted(f"{self.short_name()} {nr3(scale) if scale else 'AUTO'},{nr3(resolution)}")

    @query("MEASure[:SCALar]:VOLTage[:DC]", _VOLTS_DC, _RESOLUTION)
    def measure_dc_voltage(self, call: Call, range_: Any, resolution: Any) -> Ascii:
        self.configure("dc_voltage", range_, resolution)
        return self.read(call)

    @query("MEASure[:SCALar]:VOLTage:AC", _VOLTS_AC, _RESOLUTION)
    def measure_ac_voltage(self, call: Call, range_: Any, resolution: Any) -> Ascii:
        self.configure("ac_voltage", range_, resolution)
        return self.read(call)

    @query("MEASure[:SCALar]:CURRent[:DC]", _AMPERES, _RESOLUTION)
    def measure_current(self, call: Call, range_: Any, resolution: Any) -> Ascii:
        self.configure("dc_current", range_, resolution)
        return self.read(call)

    @query("MEASure[:SCALar]:RESistance", _OHMS, _RESOLUTION)
    def measure_resistance(self, call: Call, range_: Any, resolution: Any) -> Ascii:
        self.configure("resistance_2w", range_, resolution)
        return self.read(call)

    @query("MEASure[:SCALar]:FRESistance", _OHMS, _RESOLUTION)
    def measure_four_wire(self, call: Call, range_: Any, resolution: Any) -> Ascii:
        self.configure("resistance_4w", range_, resolution)
        return self.read(call)

    @query("MEASure[:SCALar]:TEMPerature", _SENSOR, _SENSOR_TYPE)
    def measure_temperature(self, call: Call, sensor: str, kind: Any) -> Ascii:
        self.configure_temperature(call, sensor, kind)
        return self.read(call)

    # --- triggers and memory ---------------------------------------------------------------
    @command("TRIGger[:SEQuence]:COUNt", Integer(min=1, max=LONGEST_MEMORY, default=1))
    def set_triggers(self, call: Call, count: int) -> None:
        self.triggers = count

    @query("TRIGger[:SEQuence]:COUNt")
    def triggers_query(self, call: Call) -> int:
        return self.triggers

    @command("TRIGger[:SEQuence]:SOURce", Choice("IMMediate", "BUS"))
    def set_source(self, call: Call, source: str) -> None:
        self.source = source

    @query("TRIGger[:SEQuence]:SOURce")
    def source_query(self, call: Call) -> str:
        return self.source

    @command("INITiate[:IMMediate]")
    def initiate(self, call: Call) -> None:
        """Clear the memory and take the burst, or wait for its triggers."""
        if self._waiting:
            raise ScpiError(-213)
        self._memory.clear()
        if self.source == "IMM":
            for _ in range(self.triggers):
                self._memory.append(self._one())
        else:
            self._waiting = self.triggers

    def trigger(self) -> None:
        """One *TRG: one reading."""
        if not self._waiting or self.source != "BUS":
            raise ScpiError(-211)
        self._waiting -= 1
        self._memory.append(self._one())

    def operation_pending(self) -> bool:
        return self._waiting > 0

    def wait_operations(self) -> None:
        if self._waiting:
            raise ScpiError(-214, "no trigger can come while *OPC? or *WAI waits for it")

    @command("ABORt")
    def abort(self, call: Call) -> None:
        self._waiting = 0

    @query("FETCh")
    def fetch(self, call: Call) -> Ascii:
        """All readings in the memory, which keeps them."""
        if not self._memory:
            raise ScpiError(-230, "no readings")
        if self._waiting:
            raise ScpiError(-214, "the burst still waits for its triggers")
        return self._listed(self._memory)

    @query("READ")
    def read(self, call: Call) -> Ascii:
        if self.source != "IMM":
            raise ScpiError(-214, "the trigger source is not immediate")
        self.initiate(call)
        return self.fetch(call)

    def _listed(self, readings: list[float]) -> Ascii:
        text = Ascii(",".join(nr3(r) for r in readings).encode("ascii"))
        self.owe(len(text) / READING_BYTES_PER_S)
        return text

    # --- one reading -----------------------------------------------------------------------
    def _one(self) -> float:
        if self.function is None:
            return self._temperature()
        s = self.settings[self.function]
        value, scale = self.front.read(self.function, s.full_scale, s.nplc)
        s.last_full_scale = scale
        return value

    def _temperature(self) -> float:
        t = self.temperature
        celsius = math.nan
        if t.sensor == "TC":
            volts, _ = self.front.read("dc_voltage", 0.25)
            if abs(volts) < OVERLOAD:
                celsius = temperature.thermocouple_temperature(volts, TERMINAL_CELSIUS, str(t.kind))
        else:
            function: Function = "resistance_4w" if t.sensor == "FRTD" else "resistance_2w"
            ohms, _ = self.front.read(function, None)
            if abs(ohms) < OVERLOAD and t.sensor == "THER":
                celsius = temperature.thermistor_temperature(ohms, int(t.kind))
            elif abs(ohms) < OVERLOAD:
                celsius = temperature.platinum_temperature(ohms, float(t.kind))
        if math.isnan(celsius):
            return OVERLOAD
        # Of the promised error, what is not the converter's: half is left for that.
        return celsius + 0.5 * METER_TEMPERATURE_K[t.sensor] * self._offset_k

    def short_name(self) -> str:
        """The present function as SENSe:FUNCtion? names it."""
        names: dict[Function | None, str] = {
            "dc_voltage": "VOLT",
            "ac_voltage": "VOLT:AC",
            "dc_current": "CURR",
            "resistance_2w": "RES",
            "resistance_4w": "FRES",
            None: "TEMP",
        }
        return names[self.function]
