"""Settings of the virtual meter, per function, and the SENSe commands that set them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, get_args

from demo_sim.instruments import specifications as spec
from demo_sim.instruments import temperature
from demo_sim.instruments.meter_front import Function
from demo_sim.scpi import Boolean, Call, Choice, Numeric, Quoted, ScpiError, String, command, query

RANGES: dict[Function, tuple[float, ...]] = {
    function: spec.ranges("meter", function) for function in get_args(Function)
}
# Resolution of each integration time, as a fraction of the range.
PER_RANGE = dict(zip(spec.METER_NPLC, (1e-4, 1e-5, 3e-6, 1e-6, 3e-7), strict=True))
DEFAULT_NPLC = 10.0
NPLC = Numeric(min=spec.METER_NPLC[0], max=spec.METER_NPLC[-1], default=DEFAULT_NPLC)

Handler = Callable[..., Any]


def available_nplc(wanted: float) -> float:
    """The shortest integration time that is not below the wanted one, line cycles."""
    return next(n for n in spec.METER_NPLC if n >= wanted * (1.0 - 1e-9))


def nplc_for_resolution(fraction: float) -> float:
    """The shortest integration time that resolves this fraction of the range."""
    return next((n for n, r in PER_RANGE.items() if r <= fraction), spec.METER_NPLC[-1])


@dataclass(slots=True)
class FunctionSettings:
    """``full_scale`` None ranges by itself; ``last_full_scale`` is the range it was on."""

    full_scale: float | None = None
    nplc: float = DEFAULT_NPLC
    auto_zero: bool = True
    last_full_scale: float | None = None


@dataclass(slots=True)
class TemperatureSettings:
    sensor: str = "FRTD"  # FRTD, RTD, TC or THER
    kind: str | int = 85  # platinum's coefficient, a couple's letter, a thermistor's ohms
    platinum_ohm: float = 100.0
    nplc: float = DEFAULT_NPLC
    auto_zero: bool = True
    unit: str = "C"

    def choose(self, sensor: str, kind: Any) -> None:
        """Sensor and its type; −224 for a type that is not known."""
        self.sensor = "FRTD" if sensor == "DEF" else sensor
        known: dict[str, tuple[str | int, ...]] = {
            "FRTD": (85,),
            "RTD": (85,),
            "TC": temperature.THERMOCOUPLES,
            "THER": temperature.THERMISTORS,
        }
        default: dict[str, str | int] = {"FRTD": 85, "RTD": 85, "TC": "K", "THER": 5000}
        if kind is None or kind == "DEF":
            kind = default[self.sensor]
        if kind not in known[self.sensor]:
            raise ScpiError(-224, f"no such {self.sensor} type")
        self.kind = kind if isinstance(kind, str) else int(kind)

    def shown(self, celsius: float) -> float:
        if self.unit == "K":
            return celsius + 273.15
        return celsius * 1.8 + 32.0 if self.unit == "F" else celsius


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
        device.settings[function].nplc = available_nplc(nplc)

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


def _zero(node: str, function: Function) -> tuple[Handler, Handler]:
    @command(f"[SENSe:]{node}:ZERO:AUTO", Choice("ON", "OFF", "ONCE"))
    def put(device: SenseCommands, call: Call, word: str) -> None:
        device.settings[function].auto_zero = word == "ON"

    @query(f"[SENSe:]{node}:ZERO:AUTO")
    def get(device: SenseCommands, call: Call) -> bool:
        return device.settings[function].auto_zero

    return put, get


class SenseCommands:
    """SENSe subsystem: the same four settings for each function."""

    settings: dict[Function, FunctionSettings]
    function: Function | None

    def short_name(self) -> str:
        """The present function as SENSe:FUNCtion? names it."""
        raise NotImplementedError

    dc_nplc, dc_nplc_query = _nplc("VOLTage[:DC]", "dc_voltage")
    dc_range, dc_range_query = _range("VOLTage[:DC]", "dc_voltage", "V")
    dc_auto, dc_auto_query = _auto("VOLTage[:DC]", "dc_voltage")
    dc_zero, dc_zero_query = _zero("VOLTage[:DC]", "dc_voltage")
    ac_range, ac_range_query = _range("VOLTage:AC", "ac_voltage", "V")
    ac_auto, ac_auto_query = _auto("VOLTage:AC", "ac_voltage")
    current_nplc, current_nplc_query = _nplc("CURRent[:DC]", "dc_current")
    current_range, current_range_query = _range("CURRent[:DC]", "dc_current", "A")
    current_auto, current_auto_query = _auto("CURRent[:DC]", "dc_current")
    current_zero, current_zero_query = _zero("CURRent[:DC]", "dc_current")
    two_nplc, two_nplc_query = _nplc("RESistance", "resistance_2w")
    two_range, two_range_query = _range("RESistance", "resistance_2w", "OHM")
    two_auto, two_auto_query = _auto("RESistance", "resistance_2w")
    two_zero, two_zero_query = _zero("RESistance", "resistance_2w")
    four_nplc, four_nplc_query = _nplc("FRESistance", "resistance_4w")
    four_range, four_range_query = _range("FRESistance", "resistance_4w", "OHM")
    four_auto, four_auto_query = _auto("FRESistance", "resistance_4w")
    four_zero, four_zero_query = _zero("FRESistance", "resistance_4w")

    @command("[SENSe:]FUNCtion[:ON]", String())
    def set_function(self, call: Call, name: str) -> None:
        name = name.strip().upper().removeprefix("SENS:").removeprefix("SENSE:")
        if name in ("TEMP", "TEMPERATURE"):
            self.function = None
        elif name in _FUNCTIONS:
            self.function = _FUNCTIONS[name]
        else:
            raise ScpiError(-224, name[:40])

    @query("[SENSe:]FUNCtion[:ON]")
    def function_query(self, call: Call) -> Quoted:
        return Quoted(self.short_name())
