"""Common commands (IEEE 488.2, chapter 10), status reporting (11) and the SYSTem and STATus
subsystems that SCPI-99 requires of every instrument (volume 1, 4.2.1; volume 2, 20 and 21)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import ClassVar

from demo_sim.scpi import status
from demo_sim.scpi.errors import ScpiError
from demo_sim.scpi.output import OutputQueue
from demo_sim.scpi.parameters import Call, Integer
from demo_sim.scpi.response import Buffer, Quoted
from demo_sim.scpi.status import ErrorQueue, StatusRegister
from demo_sim.scpi.tree import Declaration, command, query

_NO_ERROR = '0,"No error"'


@dataclass(frozen=True, slots=True)
class StatusStructure:
    """A SCPI status structure below STATus, one register or ``count`` of them.

    Args:
        name: key in ``device.status``: ``device.status[name, n]`` with n = 1…count.
        pattern: header, with ``<1-count>`` when there are several.
        feeds: name of the structure (register 1) whose condition shows this one's summary.
        bit: that bit; ``None``: register n feeds bit n.
    """

    name: str
    pattern: str
    count: int = 1
    feeds: str | None = None
    bit: int | None = None

    def commands(self) -> Iterator[tuple[Callable[..., object], Declaration]]:
        """Handlers for :EVENt?, :CONDition?, :ENABle, :PTRansition, :NTRansition."""
        name = self.name

        def register(device: CommonCommands, call: Call) -> StatusRegister:
            return device.status[name, call.suffix]

        def event(device: CommonCommands, call: Call) -> int:
            device.refresh_status()
            return register(device, call).read_event()

        def condition(device: CommonCommands, call: Call) -> int:
            device.refresh_status()
            return register(device, call).condition

        yield event, Declaration(f"{self.pattern}[:EVENt]", True, ())
        yield condition, Declaration(f"{self.pattern}:CONDition", True, ())
        for word, attribute in (
            ("ENABle", "enable"),
            ("PTRansition", "positive"),
            ("NTRansition", "negative"),
        ):
            yield (
                _setter(name, attribute),
                Declaration(f"{self.pattern}:{word}", False, (Integer(min=0, max=65535),)),
            )
            yield _getter(name, attribute), Declaration(f"{self.pattern}:{word}", True, ())


def _setter(name: str, attribute: str) -> Callable[..., object]:
    def put(device: CommonCommands, call: Call, value: int) -> None:
        device.refresh_status()
        setattr(device.status[name, call.suffix], attribute, value & status.SIXTEEN_BITS)

    return put


def _getter(name: str, attribute: str) -> Callable[..., object]:
    def get(device: CommonCommands, call: Call) -> object:
        return getattr(device.status[name, call.suffix], attribute)

    return get


class CommonCommands:
    """State and handlers that all devices share; ``ScpiDevice`` adds the message exchange."""

    manufacturer: ClassVar[str] = "SEQRUN DEMO"
    model: ClassVar[str] = "SIMULATED DEVICE"
    firmware: ClassVar[str] = "1.0"
    error_queue_depth: ClassVar[int] = 20
    status_structures: ClassVar[tuple[StatusStructure, ...]] = (
        StatusStructure("operation", "STATus:OPERation"),
        StatusStructure("questionable", "STATus:QUEStionable"),
    )

    def __init__(self, *, serial: str) -> None:
        self.serial = serial
        self._identity = f"{self.manufacturer},{self.model},{serial},{self.firmware}"
        self.errors = ErrorQueue(self.error_queue_depth)
        self.output = OutputQueue()
        self._unsent: list[Buffer] = []  # response of the message that is being executed
        self.status: dict[tuple[str, int], StatusRegister] = {
            (structure.name, n): StatusRegister()
            for structure in self.status_structures
            for n in range(1, structure.count + 1)
        }
        self.event_status = status.POWER_ON
        self.event_enable = 0
        self.service_enable = 0
        self._complete_when_idle = False
        self._reasons = 0
        self._requesting = False

    # --- hooks -------------------------------------------------------------------------------
    def reset(self) -> None:
        """*RST: settings to their documented values; never the status (IEEE 488.2, 10.32)."""

    def self_test(self) -> int:
        """*TST?: 0 when all is well."""
        return 0

    def trigger(self) -> None:
        """*TRG and the bus trigger."""
        raise ScpiError(-211)

    def operation_pending(self) -> bool:
        """Whether an overlapped command still runs."""
        return False

    def wait_operations(self) -> None:
        """*OPC? and *WAI: let time pass until nothing is pending; ``ScpiError`` if it never is."""

    def begin_message(self) -> None:
        """Before each message: catch up with a clock, for instance."""

    def update_conditions(self) -> None:
        """Before status is looked at: bring the condition registers up to date."""

    # --- status ------------------------------------------------------------------------------
    @property
    def operation(self) -> StatusRegister:
        """STATus:OPERation."""
        return self.status["operation", 1]

    @property
    def questionable(self) -> StatusRegister:
        """STATus:QUEStionable."""
        return self.status["questionable", 1]

    def refresh_status(self) -> None:
        """Conditions from the instrument, summaries upwards, *OPC when operations have ended."""
        self.update_conditions()
        for structure in self.status_structures:
            if structure.feeds is None:
                continue
            for n in range(1, structure.count + 1):
                bit = n if structure.bit is None else structure.bit
                above = self.status[structure.feeds, 1]
                above.set_bit(bit, self.status[structure.name, n].summary)
        if self._complete_when_idle and not self.operation_pending():
            self._complete_when_idle = False
            self.event_status |= status.OPERATION_COMPLETE

    def status_byte(self) -> int:
        """The status byte with the master summary in bit 6, as *STB? answers (11.2.2.2)."""
        self.refresh_status()
        byte = 0
        if len(self.errors):
            byte |= status.ERROR_QUEUE
        if self.questionable.summary:
            byte |= status.QUESTIONABLE
        if self.output or self._unsent:
            byte |= status.MESSAGE_AVAILABLE
        if self.event_status & self.event_enable:
            byte |= status.EVENT_SUMMARY
        if self.operation.summary:
            byte |= status.OPERATION
        if byte & self.service_enable:
            byte |= status.MASTER_SUMMARY
        return byte

    def note_service_request(self) -> None:
        """Latch a request for service when a new enabled reason has come up (11.3.3)."""
        if not self.service_enable:
            self._reasons, self._requesting = 0, False
            return
        reasons = self.status_byte() & self.service_enable & ~status.MASTER_SUMMARY
        if reasons & ~self._reasons:
            self._requesting = True
        elif not reasons:
            self._requesting = False
        self._reasons = reasons

    def serial_poll(self) -> int:
        """The status byte with the request for service in bit 6, cleared by the poll (11.2.2.1)."""
        self.note_service_request()
        byte = self.status_byte() & ~status.MASTER_SUMMARY
        if self._requesting:
            byte |= status.MASTER_SUMMARY
        self._requesting = False
        return byte

    def cancel_operation_complete(self) -> None:
        """Forget a *OPC that waits (*CLS, *RST, device clear; 12.5.2)."""
        self._complete_when_idle = False

    # --- IEEE 488.2 common commands -------------------------------------------------------------
    @command("*CLS")
    def _cls(self, call: Call) -> None:
        self.event_status = 0
        self.errors.clear()
        self.cancel_operation_complete()
        for register in self.status.values():
            register.read_event()

    @command("*ESE", Integer(min=0, max=255))
    def _ese(self, call: Call, mask: int) -> None:
        self.event_enable = mask

    @query("*ESE")
    def _ese_query(self, call: Call) -> int:
        return self.event_enable

    @query("*ESR")
    def _esr_query(self, call: Call) -> int:
        self.refresh_status()
        value, self.event_status = self.event_status, 0
        return value

    @property
    def identity(self) -> str:
        """What it answers to *IDN?."""
        return self._identity

    @query("*IDN", indefinite=True)
    def _idn_query(self, call: Call) -> str:
        return self._identity

    @command("*OPC")
    def _opc(self, call: Call) -> None:
        self._complete_when_idle = True
        self.refresh_status()

    @query("*OPC")
    def _opc_query(self, call: Call) -> int:
        self.wait_operations()
        return 1

    @command("*RST")
    def _rst(self, call: Call) -> None:
        self.cancel_operation_complete()
        self.reset()

    @command("*SRE", Integer(min=0, max=255))
    def _sre(self, call: Call, mask: int) -> None:
        self.service_enable = mask & ~status.MASTER_SUMMARY  # bit 6 enables nothing (11.3.2.3)

    @query("*SRE")
    def _sre_query(self, call: Call) -> int:
        return self.service_enable

    @query("*STB")
    def _stb_query(self, call: Call) -> int:
        return self.status_byte()

    @command("*TRG")
    def _trg(self, call: Call) -> None:
        self.trigger()

    @query("*TST")
    def _tst_query(self, call: Call) -> int:
        return self.self_test()

    @command("*WAI")
    def _wai(self, call: Call) -> None:
        self.wait_operations()

    # --- SCPI required commands ------------------------------------------------------------------
    @query("SYSTem:ERRor[:NEXT]")
    def _error_query(self, call: Call) -> tuple[int, Quoted] | str:
        if not len(self.errors):
            return _NO_ERROR  # what a careful controller hears after each command
        number, text = self.errors.pop()
        return number, Quoted(text)

    @query("SYSTem:ERRor:COUNt")
    def _error_count_query(self, call: Call) -> int:
        return len(self.errors)

    @query("SYSTem:ERRor:ALL")
    def _error_all_query(self, call: Call) -> tuple[int | Quoted, ...]:
        entries: list[int | Quoted] = []
        while True:
            number, text = self.errors.pop()
            entries += [number, Quoted(text)]
            if not len(self.errors):
                return tuple(entries)

    @query("SYSTem:VERSion")
    def _version_query(self, call: Call) -> str:
        return "1999.0"

    @command("STATus:PRESet")
    def _preset(self, call: Call) -> None:
        for register in self.status.values():
            register.preset()
