"""The virtual supply's SCPI: equal outputs, switched together.

INSTrument, SOURce, OUTPut, MEASure and STATus subsystems of SCPI-99, volume 2. The bits that tell
which protection has tripped are ours: the standard leaves them to the maker.
"""

from __future__ import annotations

from typing import Any, ClassVar

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.base import Instrument
from demo_sim.instruments.supply_outputs import Output, SupplyOutputs
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import (
    Boolean,
    Call,
    ChannelList,
    Integer,
    Numeric,
    ScpiError,
    StatusStructure,
    command,
    query,
)

# Bits of the questionable conditions, per output.
VOLTAGE_QUESTIONABLE = 0  # constant current: the voltage is not what was set (SCPI-99 1, 9.4)
OVER_VOLTAGE = 11  # 9 to 12 are the designer's
OVER_CURRENT = 12

_MOST_VOLTS = spec.SUPPLY_VOLTS * spec.SUPPLY_OVERRANGE
_MOST_AMPERES = spec.SUPPLY_AMPERES * spec.SUPPLY_OVERRANGE


def _outputs(device: Any, call: Call) -> float:
    return float(len(device.outputs.numbers))


_OUTPUTS = ChannelList(first=1, last=spec.SUPPLY_OUTPUTS, optional=True)


class PlainSupply(Instrument):
    """Levels, read-back and the switch; what it does beyond that it keeps to itself.

    Settings go to the selected output. ``outputs`` is how many there are.
    """

    model = "SIMULATED SUPPLY"
    protected: ClassVar[bool] = False

    def __init__(
        self,
        world: Surroundings,
        key: str = "supply",
        serial: str = "0",
        outputs: int = spec.SUPPLY_OUTPUTS,
    ) -> None:
        super().__init__(world, key, serial)
        self.outputs = SupplyOutputs(world, key, outputs, self.protected)
        self.number = 1

    @property
    def selected(self) -> Output:
        return self.outputs[self.number]

    def reset(self) -> None:
        self.number = 1
        self.outputs.reset()

    # --- which output ----------------------------------------------------------------------
    @command("INSTrument:NSELect", Integer(min=1, max=_outputs, default=1))
    def select_number(self, call: Call, number: int) -> None:
        self.number = number

    @query("INSTrument:NSELect")
    def number_query(self, call: Call) -> int:
        return self.number

    # --- levels ------------------------------------------------------------
    @command(
        "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        Numeric(unit="V", min=0.0, max=spec.SUPPLY_VOLTS, default=0.0),
    )
    def set_voltage(self, call: Call, volts: float) -> None:
        self.outputs.set_volts(self.number, volts)

    @query("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def voltage_query(self, call: Call) -> float:
        return self.selected.volts

    @command(
        "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]",
        Numeric(unit="A", min=0.0, max=spec.SUPPLY_AMPERES, default=0.05),
    )
    def set_current(self, call: Call, amperes: float) -> None:
        self.outputs.set_amperes(self.number, amperes)

    @query("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]")
    def current_query(self, call: Call) -> float:
        return self.selected.amperes

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
        return tuple(self.outputs.read_volts(n) for n in self._listed(outputs))

    @query("MEASure[:SCALar]:CURRent[:DC]", _OUTPUTS)
    def measure_current(self, call: Call, outputs: tuple[int, ...] | None) -> tuple[float, ...]:
        return tuple(self.outputs.read_amperes(n) for n in self._listed(outputs))

    def _listed(self, outputs: tuple[int, ...] | None) -> tuple[int, ...]:
        """The outputs of a channel list; without one the selected."""
        for number in outputs or ():
            if number not in self.outputs.numbers:
                raise ScpiError(-222, f"there is no output {number}")
        return outputs or (self.number,)


class Supply(PlainSupply):
    """With protection that latches, and status that tells what holds an output."""

    protected = True
    status_structures = (
        StatusStructure("operation", "STATus:OPERation"),
        StatusStructure(
            "isummary",
            "STATus:QUEStionable:INSTrument:ISUMmary<1-2>",
            count=spec.SUPPLY_OUTPUTS,
            feeds="instrument",
        ),
        StatusStructure(
            "instrument", "STATus:QUEStionable:INSTrument", feeds="questionable", bit=13
        ),
        StatusStructure("questionable", "STATus:QUEStionable"),
    )

    def update_conditions(self) -> None:
        for n in self.outputs.numbers:
            self.status["isummary", n].condition = self._condition(n)
        own = self._condition(self.number)
        for bit in (VOLTAGE_QUESTIONABLE, OVER_VOLTAGE, OVER_CURRENT):
            self.questionable.set_bit(bit, bool(own >> bit & 1))

    def _condition(self, number: int) -> int:
        output = self.outputs[number]
        return (
            self.outputs.constant_current(number) << VOLTAGE_QUESTIONABLE
            | output.over_volts_tripped << OVER_VOLTAGE
            | output.over_amperes_tripped << OVER_CURRENT
        )

    # --- protection ------------------------------------------------------------------------
    @command(
        "[SOURce:]VOLTage:PROTection[:LEVel]",
        Numeric(unit="V", min=0.5, max=_MOST_VOLTS, default=_MOST_VOLTS),
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
        Numeric(unit="A", min=0.01, max=_MOST_AMPERES, default=_MOST_AMPERES),
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
