"""SCPI by the book: the syntax, the status model and the message exchange of virtual instruments.

Written from IEEE 488.2 and SCPI-99 alone; it knows no driver and no instrument. See
``device.ScpiDevice`` for how an instrument declares its commands.
"""

from demo_sim.scpi.common import StatusStructure
from demo_sim.scpi.device import ScpiDevice
from demo_sim.scpi.errors import ScpiError
from demo_sim.scpi.parameters import (
    NOT_A_NUMBER,
    OVERLOAD,
    Block,
    Boolean,
    Call,
    ChannelList,
    Choice,
    Integer,
    Numeric,
    Parameter,
    String,
)
from demo_sim.scpi.response import Ascii, IndefiniteBlock, Quoted, nr3
from demo_sim.scpi.status import StatusRegister
from demo_sim.scpi.tree import command, query

__all__ = [
    "NOT_A_NUMBER",
    "OVERLOAD",
    "Ascii",
    "Block",
    "Boolean",
    "Call",
    "ChannelList",
    "Choice",
    "IndefiniteBlock",
    "Integer",
    "Numeric",
    "Parameter",
    "Quoted",
    "ScpiDevice",
    "ScpiError",
    "StatusRegister",
    "StatusStructure",
    "String",
    "command",
    "nr3",
    "query",
]
