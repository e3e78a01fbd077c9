"""The virtual supply's SCPI: two tracking outputs and a third fixed one, switched together."""

from __future__ import annotations

from typing import Any

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.saving import SavingInstrument
from demo_sim.instruments.supply_outputs import Output, SupplyOutputs
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import (
    Boolean,
    Call,
    ChannelList,
    Choice,
    Integer,
    Numeric,
    ScpiError,
    StatusStructure,
    command,
    query,
)

# Bits of the questionable conditions, per output.
VOLTAGE_QUESTIONABLE = 0  # constant current: the voltage is not what was set
CURRENT_QUESTIONABLE = 1  # constant voltage: the current is not what was set
OVER_VOLTAGE = 9
OVER_CURRENT = 10


def _volts_limit(device: Any, call: Call) -> float:
    return float(device.selected.volts_limit)


def _amperes_limit(device: Any, call: Call) -> float:
    return float(device.selected.amperes_limit)


def _volts_rating(device: Any, call: Call) -> float:
    return spec.SUPPLY_VOLTS[device.number - 1]


def _amperes_rating(device: Any, call: Call) -> float:
    return spec.SUPPLY_AMPERES[device.number - 1]


def _volts_protection(device: Any, call: Call) -> float:
    return spec.SUPPLY_VOLTS[device.number - 1] * spec.SUPPLY_OVERRANGE


def _amperes_protection(device: Any, call: Call) -> float:
    return spec.SUPPLY_AMPERES[device.number - 1] * spec.SUPPLY_OVERRANGE


_OUTPUTS = ChannelList(first=1, last=len(spec.SUPPLY_VOLTS), optional=True)


class Supply(SavingInstrument):
    """Settings go to the selected output; with tracking on, output 1 and 2 are set together.

    Recalled settings come with the outputs off, whatever they were when they were saved.
    """

    model = "SIMULATED SUPPLY"
    kept = ("number", "settings")
    status_structures = (
        StatusStructure("operation", "STATus:OPERation"),
        StatusStructure(
            "isummary",
            "STATus:QUEStionable:INSTrument:ISUMmary<1-3>",
            count=3,
            feeds="instrument",
        ),
        StatusStructure(
            "instrument", "STATus:QUEStionable:INSTrument", feeds="questionable", bit=13
        ),
        StatusStructure("questionable", "STATus:QUEStionable"),
    )

    def __init__(self, world: Surroundings, key: str = "supply", serial: str = "0") -> None:
        super().__init__(world, key, serial)
        self.outputs = SupplyOutputs(world, key)
        self.number = 1

    @property
    def selected(self) -> Output:
        return self.outputs[self.number]

    @property
    def settings(self) -> tuple[dict[int, Output], bool]:
        return self.outputs.settings

    @settings.setter
    def settings(self, settings: tuple[dict[int, Output], bool]) -> None:
        self.outputs.settings = settings

    def reset(self) -> None:
        self.number = 1
        self.outputs.reset()

    def update_conditions(self) -> None:
        for n in self.outputs.numbers:
            self.status["isummary", n].condition = self._condition(n)
        own = self._condition(self.number)
        for bit in (VOLTAGE_QUESTIONABLE, CURRENT_QUESTIONABLE, OVER_VOLTAGE, OVER_CURRENT):
            self.questionable.set_bit(bit, bool(own >> bit & 1))

    def _condition(self, number: int) -> int:
        output = self.outputs[number]
        bits = 0
        if self.outputs.on:
            current = self.outputs.constant_current(number)
            bits |= 1 << (VOLTAGE_QUESTIONABLE if current else CURRENT_QUESTIONABLE)
        return (
            bits
            | output.over_volts_tripped << OVER_VOLTAGE
            | output.over_amperes_tripped << OVER_CURRENT
        )

    # --- which output ----------------------------------------------------------------------
    @command("INSTrument:NSELect", Integer(min=1, max=3, default=1))
    def select_number(self, call: Call, number: int) -> None:
        self.number = number

    @query("INSTrument:NSELect")
    def number_query(self, call: Call) -> int:
        return self.number

    @command("INSTrument[:SELect]", Choice("OUTPut<1-3>"))
    def select(self, call: Call, name: str) -> None:
        self.number = int(name[-1])

    @query("INSTrument[:SELect]")
    def select_query(self, call: Call) -> str:
        return f"OUTP{self.number}"

    @command("OUTPut:TRACk[:STATe]", Boolean())
    def track(self, call: Call, on: bool) -> None:
        self.outputs.tracking = on
        if on:
            self.outputs.follow()

    @query("OUTPut:TRACk[:STATe]")
    def track_query(self, call: Call) -> bool:
        return self.outputs.tracking

    # --- levels and soft limits ------------------------------------------------------------
    @command(
        "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        Numeric(unit="V", min=0.0, max=_volts_limit, default=0.0),
    )
    def set_voltage(self, call: Call, volts: float) -> None:
        if self.outputs.fixed(self.number):
            raise ScpiError(-221, f"output {self.number} is fixed")
        self.outputs.set_volts(self.number, volts)

    @query("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def voltage_query(self, call: Call) -> float:
        return self.selected.volts

    @command(
        "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]",
        Numeric(unit="A", min=0.0, max=_amperes_limit, default=0.1),
    )
    def set_current(self, call: Call, amperes: float) -> None:
        self.outputs.set_amperes(self.number, amperes)

    @query("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]")
    def current_query(self, call: Call) -> float:
        return self.selected.amperes

    @command(
        "[SOURce:]VOLTage:LIMit[:HIGH]",
        Numeric(unit="V", min=0.0, max=_volts_rating, default=_volts_rating),
    )
    def set_voltage_limit(self, call: Call, volts: float) -> None:
        if volts < self.selected.volts:
            raise ScpiError(-221, "below the voltage that is set")
        self.selected.volts_limit = volts

    @query("[SOURce:]VOLTage:LIMit[:HIGH]")
    def voltage_limit_query(self, call: Call) -> float:
        return self.selected.volts_limit

    @command(
        "[SOURce:]CURRent:LIMit[:HIGH]",
        Numeric(unit="A", min=0.0, max=_amperes_rating, default=_amperes_rating),
    )
    def set_current_limit(self, call: Call, amperes: float) -> None:
        if amperes < self.selected.amperes:
            raise ScpiError(-221, "below the current that is set")
        self.selected.amperes_limit = amperes

    @query("[SOURce:]CURRent:LIMit[:HIGH]")
    def current_limit_query(self, call: Call) -> float:
        return self.selected.amperes_limit

    # --- protection ------------------------------------------------------------------------
    @command(
        "[SOURce:]VOLTage:PROTection[:LEVel]",
        Numeric(unit="V", min=0.5, max=_volts_protection, default=_volts_protection),
    )
    def set_voltage_protection(self, call: Call, volts: float) -> None:
        self.selected.over_volts = volts
        self.outputs.watch()

    @query("[SOURce:]VOLTage:PROTection[:LEVel]")
    def voltage_protection_query(self, call: Call) -> float:
        return self.selected.over_volts

    @command("[SOURce:]VOLTage:PROTection:STATe", Boolean())
    def arm_voltage_protection(self, call: Call, on: bool) -> None:
        self.selected.over_volts_armed = on
        self.outputs.watch()

    @query("[SOURce:]VOLTage:PROTection:STATe")
    def voltage_protection_armed(self, call: Call) -> bool:
        return self.selected.over_volts_armed

    @query("[SOURce:]VOLTage:PROTection:TRIPped")
    def voltage_protection_tripped(self, call: Call) -> bool:
        return self.selected.over_volts_tripped

    @command("[SOURce:]VOLTage:PROTection:CLEar")
    def clear_voltage_protection(self, call: Call) -> None:
        self.outputs.clear_protection(amperes=False)

    @command(
        "[SOURce:]CURRent:PROTection[:LEVel]",
        Numeric(unit="A", min=0.01, max=_amperes_protection, default=_amperes_protection),
    )
    def set_current_protection(self, call: Call, amperes: float) -> None:
        self.selected.over_amperes = amperes
        self.outputs.watch()

    @query("[SOURce:]CURRent:PROTection[:LEVel]")
    def current_protection_query(self, call: Call) -> float:
        return self.selected.over_amperes

    @command("[SOURce:]CURRent:PROTection:STATe", Boolean())
    def arm_current_protection(self, call: Call, on: bool) -> None:
        self.selected.over_amperes_armed = on
        self.outputs.watch()

    @query("[SOURce:]CURRent:PROTection:STATe")
    def current_protection_armed(self, call: Call) -> bool:
        return self.selected.over_amperes_armed

    @query("[SOURce:]CURRent:PROTection:TRIPped")
    def current_protection_tripped(self, call: Call) -> bool:
        return self.selected.over_amperes_tripped

    @command("[SOURce:]CURRent:PROTection:CLEar")
    def clear_current_protection(self, call: Call) -> None:
        self.outputs.clear_protection(volts=False)

    @command("OUTPut:PROTection:CLEar")
    def clear_protection(self, call: Call) -> None:
        self.outputs.clear_protection()

    # --- output and read-back --------------------------------------------------------------
    @command("OUTPut[:STATe]", Boolean())
    def switch(self, call: Call, on: bool) -> None:
        if on and self.outputs.tripped():
            raise ScpiError(-221, "protection has tripped: clear it first")
        self.outputs.switch(on)

    @query("OUTPut[:STATe]")
    def switch_query(self, call: Call) -> bool:
        return self.outputs.on

    @query("MEASure[:SCALar]:VOLTage[:DC]", _OUTPUTS)
    def measure_voltage(self, call: Call, outputs: tuple[int, ...] | None) -> tuple[float, ...]:
        return tuple(self.outputs.read_volts(n) for n in outputs or (self.number,))

    @query("MEASure[:SCALar]:CURRent[:DC]", _OUTPUTS)
    def measure_current(self, call: Call, outputs: tuple[int, ...] | None) -> tuple[float, ...]:
        return tuple(self.outputs.read_amperes(n) for n in outputs or (self.number,))
