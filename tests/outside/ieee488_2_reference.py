"""An instrument with one command for each thing that IEEE 488.2 and SCPI-99 rule on."""

from __future__ import annotations

import math

from demo_sim.scpi import (
    Block,
    Boolean,
    Call,
    ChannelList,
    Choice,
    IndefiniteBlock,
    Integer,
    Numeric,
    Quoted,
    ScpiDevice,
    ScpiError,
    StatusStructure,
    String,
    command,
    query,
)


class Reference(ScpiDevice):
    """Invented for the table of cases; no instrument is like this."""

    model = "REFERENCE"
    error_queue_depth = 4
    input_capacity = 1000
    output_capacity = 100
    longest_message = 100_000
    status_structures = (
        *ScpiDevice.status_structures,
        StatusStructure(
            "output",
            "STATus:QUEStionable:INSTrument:ISUMmary<1-2>",
            count=2,
            feeds="instrument",
        ),
        StatusStructure(
            "instrument", "STATus:QUEStionable:INSTrument", feeds="questionable", bit=13
        ),
    )

    def __init__(self) -> None:
        super().__init__(serial="R1")
        self.event_status = 0  # as after *CLS; power-on has a test of its own
        self.busy = False
        self.reset()

    def reset(self) -> None:
        self.volts, self.hertz, self.ohms, self.seconds = 0.0, 1000.0, 50.0, 1.0
        self.level, self.on, self.shape = {1: 0.0, 2: 0.0}, {1: False, 2: False}, "SIN"
        self.text, self.data = "", b""
        self.closed: tuple[object, ...] = (0,)
        self.scale: float | str | None = None
        self.points: tuple[float, ...] = (0.0,)
        self.count = 1

    def self_test(self) -> int:
        return 0

    def operation_pending(self) -> bool:
        return self.busy

    def wait_operations(self) -> None:
        self.busy = False

    def trigger(self) -> None:
        self.busy = True

    @command(
        "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        Numeric(unit="V", min=0.0, max=40.0, default=1.0),
    )
    def set_volts(self, call: Call, volts: float) -> None:
        self.volts = volts

    @query("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]?")
    def get_volts(self, call: Call) -> float:
        return self.volts

    @command("[SOURce]:VOLTage:PROTection[:LEVel]", Numeric(unit="V"))
    def set_protection(self, call: Call, volts: float) -> None:
        self.volts = volts

    @query("[SOURce]:VOLTage:PROTection[:LEVel]?")
    def get_protection(self, call: Call) -> float:
        return self.volts

    @command("[SOURce]:FREQuency", Numeric(unit="HZ"))
    def set_hertz(self, call: Call, hertz: float) -> None:
        self.hertz = hertz

    @query("[SOURce]:FREQuency?")
    def get_hertz(self, call: Call) -> float:
        return self.hertz

    @command("LOAD", Numeric(unit="OHM", words=("INFinity",)))
    def set_load(self, call: Call, ohms: float) -> None:
        self.ohms = ohms

    @query("LOAD?")
    def get_load(self, call: Call) -> float:
        return self.ohms

    @command("APERture", Numeric(unit="S"))
    def set_aperture(self, call: Call, seconds: float) -> None:
        self.seconds = seconds

    @query("APERture?")
    def get_aperture(self, call: Call) -> float:
        return self.seconds

    @command("OUTPut<1-2>[:STATe]", Boolean())
    def set_on(self, call: Call, on: bool) -> None:
        self.on[call.suffix] = on

    @query("OUTPut<1-2>[:STATe]?")
    def get_on(self, call: Call) -> bool:
        return self.on[call.suffix]

    @command("CHANnel<1-2>:LEVel", Numeric(unit="V"))
    def set_level(self, call: Call, volts: float) -> None:
        self.level[call.suffix] = volts

    @query("CHANnel<1-2>:LEVel?")
    def get_level(self, call: Call) -> float:
        return self.level[call.suffix]

    @command("FUNCtion", Choice("SINusoid", "SQUare"))
    def set_shape(self, call: Call, shape: str) -> None:
        self.shape = shape

    @query("FUNCtion?")
    def get_shape(self, call: Call) -> str:
        return self.shape

    @command("DISPlay:TEXT", String())
    def set_text(self, call: Call, text: str) -> None:
        self.text = text

    @query("DISPlay:TEXT?")
    def get_text(self, call: Call) -> Quoted:
        return Quoted(self.text)

    @command("DATA", Block())
    def set_data(self, call: Call, data: memoryview) -> None:
        self.data = bytes(data)

    @query("DATA?")
    def get_data(self, call: Call) -> bytes:
        return self.data

    @query("DATA:STReam?")
    def stream(self, call: Call) -> IndefiniteBlock:
        return IndefiniteBlock(self.data)

    @query("DATA:LONG?")
    def long_data(self, call: Call) -> bytes:
        return b"x" * 200

    @command("ROUTe:CLOSe", ChannelList(last=20))
    def close(self, call: Call, channels: tuple[int, ...]) -> None:
        self.closed = channels

    @command("ROUTe:MATRix:CLOSe", ChannelList(last=4, dimensions=2))
    def close_matrix(self, call: Call, crosspoints: tuple[tuple[int, int], ...]) -> None:
        self.closed = tuple(10 * row + column for row, column in crosspoints)

    @query("ROUTe:CLOSe:STATe?")
    def get_closed(self, call: Call) -> object:
        return self.closed

    @command(
        "CONFigure:VOLTage[:DC]",
        Numeric(unit="V", optional=True, words=("AUTO", "DEFault")),
        Numeric(unit="V", optional=True),
    )
    def configure(self, call: Call, scale: float | str | None, resolution: float | None) -> None:
        self.scale = scale

    @query("CONFigure?")
    def configured(self, call: Call) -> str:
        return str(self.scale)

    @command("LIST:VOLTage", Numeric(unit="V", repeat=True))
    def set_points(self, call: Call, points: tuple[float, ...]) -> None:
        self.points = points

    @query("LIST:VOLTage?")
    def get_points(self, call: Call) -> object:
        return self.points

    @command("SAMPle:COUNt", Integer(min=1, max=1000))
    def set_count(self, call: Call, count: int) -> None:
        self.count = count

    @query("SAMPle:COUNt?")
    def get_count(self, call: Call) -> int:
        return self.count

    @query("MEASure:VOLTage[:DC]?")
    def overload(self, call: Call) -> float:
        return math.inf

    @query("MEASure:VOLTage:AC?")
    def negative_overload(self, call: Call) -> float:
        return -math.inf

    @query("MEASure:RESistance?")
    def not_a_number(self, call: Call) -> float:
        return math.nan

    @command("INITiate")
    def initiate(self, call: Call) -> None:
        raise ScpiError(-213)

    @command("SIMulate:OPERation", Integer())
    def set_operation(self, call: Call, bits: int) -> None:
        self.operation.condition = bits

    @command("SIMulate:OUTPut<1-2>", Integer())
    def set_output(self, call: Call, bits: int) -> None:
        self.status["output", call.suffix].condition = bits

    @command("SIMulate:DEFect")
    def defect(self, call: Call) -> None:
        raise ZeroDivisionError("on purpose")
