"""Settings of the virtual meter, per function, and the SENSe commands that set them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, get_args

from demo_sim.instruments import specifications as spec
from demo_sim.instruments import temperature
from demo_sim.instruments.meter_front import Function
from demo_sim.scpi import Boolean, Call, Numeric, Quoted, ScpiError, String, command, query

RANGES: dict[Function, tuple[float, ...]] = {
    function: spec.ranges("meter", function) for function in get_args(Function)
}
# What one line cycle resolves, as a fraction of the range; it falls with the square root of time.
RESOLVED_IN_ONE_CYCLE = 2e-6
DEFAULT_NPLC = 5.0
NPLC = Numeric(min=spec.METER_NPLC[0], max=spec.METER_NPLC[1], default=DEFAULT_NPLC)

Handler = Callable[..., Any]


def resolution_of(nplc: float) -> float:
    """What an integration time of so many line cycles resolves, as a fraction of the range."""
    return RESOLVED_IN_ONE_CYCLE / math.sqrt(nplc)


def nplc_for_resolution(fraction: float) -> float:
    """The shortest integration time that resolves this fraction of the range, line cycles."""
    shortest, longest = spec.METER_NPLC
    if fraction <= 0.0:
        return longest
    return min(longest, max(shortest, (RESOLVED_IN_ONE_CYCLE / fraction) ** 2))


@dataclass(slots=True)
class FunctionSettings:
    """``full_scale`` None ranges by itself; ``last_full_scale`` is the range it was on."""

    full_scale: float | None = None
    nplc: float = DEFAULT_NPLC
    last_full_scale: float | None = None


@dataclass(slots=True)
class TemperatureSettings:
    sensor: str = "FRTD"  # FRTD, RTD, TC or THER
    kind: str | int = 100  # ohms of platinum at 0 °C, a couple's letter, a thermistor's ohms

    def choose(self, sensor: str, kind: Any) -> None:
        """Sensor and its type; −224 for a type that is not known."""
        self.sensor = sensor
        known: dict[str, tuple[str | int, ...]] = {
            "FRTD": (100, 500, 1000),
            "RTD": (100, 500, 1000),
            "TC": temperature.THERMOCOUPLES,
            "THER": temperature.THERMISTORS,
        }
        if kind is None or kind == "DEF":
            kind = known[sensor][0]
        if kind not in known[sensor]:
            raise ScpiError(-224, f"no such {sensor} type")
        self.kind = kind if isinstance(kind, str) else int(kind)


_FUNCTIONS: dict[str, Function] = {
    "VOLT": "dc_voltage",
    "VOLT:DC": "dc_voltage",
    "VOLTAGE": "dc_voltage",
    "VOLTAGE:DC": "dc_voltage",
    "VOLT:AC": "ac_voltage",
    "VOLTAGE:AC": "ac_voltage",
    "CURR": "dc_current",
    "CURR:DC": "dc_current",
    "CURRENT": "dc_current",
    "CURRENT:DC": "dc_current",
    "RES": "resistance_2w",
    "RESISTANCE": "resistance_2w",
    "FRES": "resistance_4w",
    "FRESISTANCE": "resistance_4w",
}


def _nplc(node: str, function: Function) -> tuple[Handler, Handler]:
    @command(f"[SENSe:]{node}:NPLCycles", NPLC)
    def put(device: SenseCommands, call: Call, nplc: float) -> None:
        device.settings[function].nplc = nplc

    @query(f"[SENSe:]{node}:NPLCycles")
    def get(device: SenseCommands, call: Call) -> float:
        return device.settings[function].nplc

    return put, get


def _range(node: str, function: Function, unit: str) -> tuple[Handler, Handler]:
    scales = RANGES[function]

    @command(
        f"[SENSe:]{node}:RANGe[:UPPer]",
        Numeric(unit=unit, min=0.0, max=scales[-1], default=scales[-1]),
    )
    def put(device: SenseCommands, call: Call, value: float) -> None:
        device.settings[function].full_scale = next(s for s in scales if value <= s)

    @query(f"[SENSe:]{node}:RANGe[:UPPer]")
    def get(device: SenseCommands, call: Call) -> float:
        settings = device.settings[function]
        return settings.full_scale or settings.last_full_scale or scales[-1]

    return put, get


def _auto(node: str, function: Function) -> tuple[Handler, Handler]:
    scales = RANGES[function]

    @command(f"[SENSe:]{node}:RANGe:AUTO", Boolean())
    def put(device: SenseCommands, call: Call, on: bool) -> None:
        settings = device.settings[function]
        fixed = settings.full_scale or settings.last_full_scale or scales[-1]
        settings.full_scale = None if on else fixed

    @query(f"[SENSe:]{node}:RANGe:AUTO")
    def get(device: SenseCommands, call: Call) -> bool:
        return device.settings[function].full_scale is None

    return put, get


class SenseCommands:
    """SENSe subsystem (SCPI-99 volume 2, SENSe): the same settings for each function."""

    settings: dict[Function, FunctionSettings]
    function: Function | None
    four_wire: bool

    def short_name(self) -> str:
        """The present function as SENSe:FUNCtion? names it."""
        raise NotImplementedError

    dc_nplc, dc_nplc_query = _nplc("VOLTage[:DC]", "dc_voltage")
    dc_range, dc_range_query = _range("VOLTage[:DC]", "dc_voltage", "V")
    dc_auto, dc_auto_query = _auto("VOLTage[:DC]", "dc_voltage")
    ac_range, ac_range_query = _range("VOLTage:AC", "ac_voltage", "V")
    ac_auto, ac_auto_query = _auto("VOLTage:AC", "ac_voltage")
    current_nplc, current_nplc_query = _nplc("CURRent[:DC]", "dc_current")
    current_range, current_range_query = _range("CURRent[:DC]", "dc_current", "A")
    current_auto, current_auto_query = _auto("CURRent[:DC]", "dc_current")
    two_nplc, two_nplc_query = _nplc("RESistance", "resistance_2w")
    two_range, two_range_query = _range("RESistance", "resistance_2w", "OHM")
    two_auto, two_auto_query = _auto("RESistance", "resistance_2w")
    four_nplc, four_nplc_query = _nplc("FRESistance", "resistance_4w")
    four_range, four_range_query = _range("FRESistance", "resistance_4w", "OHM")
    four_auto, four_auto_query = _auto("FRESistance", "resistance_4w")

    @command("[SENSe:]FUNCtion[:ON]", String())
    def set_function(self, call: Call, name: str) -> None:
        name = name.strip().upper().removeprefix("SENS:").removeprefix("SENSE:")
        if name in ("TEMP", "TEMPERATURE"):
            self.function = None
        elif name in ("FRES", "FRESISTANCE") and not self.four_wire:
            raise ScpiError(-241, "there are no sense terminals")
        elif name in _FUNCTIONS:
            self.function = _FUNCTIONS[name]
        else:
            raise ScpiError(-224, name[:40])

    @query("[SENSe:]FUNCtion[:ON]")
    def function_query(self, call: Call) -> Quoted:
        return Quoted(self.short_name())
