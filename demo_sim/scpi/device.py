"""``ScpiDevice``: what every virtual instrument is by the standard, whatever it measures.

A subclass declares its commands and nothing else::

    class Lamp(ScpiDevice):
        model = "SIMULATED LAMP"

        def __init__(self) -> None:
            super().__init__(serial="L1")
            self.reset()

        def reset(self) -> None:
            self.level = [0.0, 0.0]

        @command("[SOURce<1-2>:]LEVel[:IMMediate]", Numeric(unit="W", min=0.0, max=60.0))
        def set_level(self, call: Call, watts: float) -> None:
            self.level[call.suffix - 1] = watts

        @query("[SOURce<1-2>:]LEVel[:IMMediate]?")
        def level_of(self, call: Call) -> float:
            return self.level[call.suffix - 1]

``lamp.execute(b"SOUR2:LEV 500MW;LEV? MAX;LEV?")`` then gives
``b"+6.000000000E+01;+5.000000000E-01\\n"``.

The three faces of a device: ``receive`` / ``read_output`` for a controller that reads when it
likes (message exchange protocol with its query errors), ``execute_into`` for a stream that takes
each response as it is made, ``execute`` for a quick look. None of them locks: a link takes the
device's ``turn``, and the one lock of the world that several devices share.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from functools import lru_cache
from typing import ClassVar, TypeVar

from demo_sim.scpi import status
from demo_sim.scpi.common import CommonCommands
from demo_sim.scpi.errors import ScpiError, event_bit
from demo_sim.scpi.framing import MessageFramer, Overrun
from demo_sim.scpi.output import OutputQueue
from demo_sim.scpi.parameters import Call, Deferred
from demo_sim.scpi.response import Buffer, IndefiniteBlock, encode
from demo_sim.scpi.tree import CommandTree, Invocation, Program, declarations

_T = TypeVar("_T")

_log = logging.getLogger(__name__)

# Messages up to this length are parsed once and remembered; longer ones rarely repeat.
_LONGEST_REMEMBERED = 256
_REMEMBERED = 512


class ScpiDevice(CommonCommands):
    """Base of the virtual instruments; see the module's docstring for how to subclass.

    Hooks to override: ``reset`` (*RST), ``self_test`` (*TST?), ``trigger`` (*TRG),
    ``operation_pending`` and ``wait_operations`` (*OPC, *OPC?, *WAI), ``begin_message``,
    ``update_conditions``.

    Args:
        serial: third field of the identification.
    """

    moves_clock: ClassVar[bool] = False  # its waiting is the controller's, and not work of its own
    longest_message: ClassVar[int] = 16 << 20  # longer ones are −363
    input_capacity: ClassVar[int] = 16 << 10  # with output_capacity: when −430 happens
    output_capacity: ClassVar[int] = 16 << 10

    _tree: ClassVar[CommandTree]
    _remembered: ClassVar[Callable[[bytes], tuple[Program, Invocation | None]]]
    _remembered_alone: ClassVar[Callable[[bytes], Invocation | None]]

    def __init_subclass__(cls, **kwargs: object) -> None:
        super().__init_subclass__(**kwargs)
        _build(cls)

    def __init__(self, *, serial: str = "0") -> None:
        super().__init__(serial=serial)
        self.turn = threading.RLock()  # taken by a link for as long as a message takes
        self._framer = MessageFramer(self.longest_message)
        self._recall = type(self)._remembered
        self._recall_alone = type(self)._remembered_alone

    # --- for a controller that reads when it likes ------------------------------------------
    def receive(self, data: bytes, end: bool = True) -> None:
        """Take bytes from a controller; complete messages are executed before it returns.

        ``end``: the link marks the last byte with END. A response that is still unread when the
        next message comes is lost and leaves −410 (IEEE 488.2, 6.3.2.3).
        """
        if self._framer.idle and len(data) <= _LONGEST_REMEMBERED:
            only = self._recall_alone(data)
            if only is not None:
                if self.output.size:
                    self.output.clear()
                    self.push_error(ScpiError(-410))
                self._exchange(self._run_one, only, self.output)
                return
        for message in self._framer.feed(data, end):
            if self.output.size:
                if isinstance(message, bytes) and not message.strip():
                    continue  # a stray terminator is no new message to a forgiving listener
                self.output.clear()
                self.push_error(ScpiError(-410))
            self.execute_into(message, self.output)

    def read_output(self, most: int = 1 << 30) -> bytes:
        """Up to ``most`` bytes of the response; empty with −420 when there is none (6.3.2.2)."""
        if not self.output:
            self.push_error(ScpiError(-420))
            return b""
        return self.output.read(most)

    def clear(self) -> None:
        """Device clear: input and output forgotten, status untouched (IEEE 488.2, 5.8)."""
        self._framer.clear()
        self.output.clear()
        self.cancel_operation_complete()

    # --- for streams and tests --------------------------------------------------------------
    def execute(self, message: bytes | str) -> bytes:
        """Execute whole messages and return the response bytes, ``b""`` when there are none."""
        data = message.encode("ascii") if isinstance(message, str) else message
        output = OutputQueue()
        for one in MessageFramer(self.longest_message).feed(data, True):
            self.execute_into(one, output)
        return output.read(output.size) if output else b""

    def execute_into(self, message: bytes | Overrun, output: OutputQueue) -> None:
        """Execute one message without its terminator; append the response message, if any."""
        if type(message) is not bytes:
            self.push_error(ScpiError(-363, f"more than {self.longest_message} bytes"))
            return
        self._exchange(self._run, message, output)

    def _exchange(
        self, run: Callable[[_T, OutputQueue], None], what: _T, output: OutputQueue
    ) -> None:
        """Begin, run and end a message; whatever is wrong inside, the device outlives it."""
        try:
            self.begin_message()
        except ScpiError as error:
            self.push_error(error)
        except Exception as error:
            # Go on: whatever is wrong, the error queue must remain readable.
            self._own_mistake(error, "before a message")
        try:
            run(what, output)
            if self.service_enable:
                self.note_service_request()
        except Exception as error:
            self._unsent = []
            self._own_mistake(error, "message")

    def _run(self, message: bytes, output: OutputQueue) -> None:
        if len(message) <= _LONGEST_REMEMBERED and b"#" not in message:
            program, only = self._recall(message)
            if only is not None:
                self._run_one(only, output)
                return
        else:
            program = self._tree.parse(message)
        unsent: list[Buffer] = []
        self._unsent = unsent
        deadlocked = ended = has_block = False
        for handler, call, values, is_query, deferred, indefinite in program.invocations:
            if ended and is_query:
                # 6.5.7.5.7: a response without an end of its own cannot be followed by another.
                self.push_error(ScpiError(-440, call.header))
                continue
            try:
                if deferred:
                    values = self._resolved(values, call)
                result = handler(self, call, *values)
                if not is_query or deadlocked:
                    continue
                piece = encode(result)
            except ScpiError as error:
                self.push_error(error)
                continue
            except Exception as error:
                self._own_mistake(error, call.header)
                continue
            if unsent:
                unsent.append(b";")
            if isinstance(piece, list):
                unsent += piece
                has_block = True
            else:
                unsent.append(piece)
            ended = indefinite or isinstance(result, IndefiniteBlock)
            if len(message) > self.input_capacity and self._is_deadlock(call, program):
                deadlocked = True
                unsent.clear()
                self.push_error(ScpiError(-430))
        if program.error is not None:
            self.push_error(program.error)
        if unsent:
            self._unsent = []
            unsent.append(b"\n")
            if has_block:  # joining would copy it
                for part in unsent:
                    output.append(part)
            else:
                output.append(b"".join(unsent))

    def _run_one(self, invocation: Invocation, output: OutputQueue) -> None:
        """What most messages are: one command or query. The same as above, for less."""
        handler, call, values, is_query, _, _ = invocation
        try:
            result = handler(self, call, *values)
            if not is_query:
                return
            piece = encode(result)
        except ScpiError as error:
            self.push_error(error)
        except Exception as error:
            self._own_mistake(error, call.header)
        else:
            if isinstance(piece, list):
                for part in piece:
                    output.append(part)
                output.append(b"\n")
            else:
                output.append(piece + b"\n")  # type: ignore[operator]

    def _is_deadlock(self, call: Call, program: Program) -> bool:
        """Output full while the rest of the message still waits to come in (6.3.1.7)."""
        size = sum(len(piece) for piece in self._unsent)
        return size > self.output_capacity and call is not program.invocations[-1].call

    def _resolved(self, values: tuple[object, ...], call: Call) -> tuple[object, ...]:
        return tuple(
            value.resolve(self, call) if isinstance(value, Deferred) else value for value in values
        )

    @classmethod
    def headers(cls) -> list[str]:
        """All headers in their shortest form, for documentation and for tests."""
        return cls._tree.headers()

    # --- errors ----------------------------------------------------------------------------
    def _own_mistake(self, error: Exception, header: str) -> None:
        """A defect of the virtual instrument: logged and queued, so that it outlives it."""
        _log.exception("%s: %s", self.model, header)
        self.push_error(ScpiError(-310, f"{type(error).__name__}: {error}"))

    def push_error(self, error: ScpiError) -> None:
        """Enter an error into the queue and its class into the event status register."""
        self.event_status |= event_bit(error.number)
        if not self.errors.push(error.number, error.text):
            self.event_status |= status.DEVICE_ERROR  # −350 itself is device-dependent


def _build(cls: type[ScpiDevice]) -> None:
    """The command tree of a class: its own methods over its bases', then its status structures."""
    tree = CommandTree()
    entered: set[str] = set()
    for base in cls.__mro__:  # the most derived declaration of a method's name counts
        for name, function in vars(base).items():
            if name in entered or not callable(function):
                continue
            for declaration in declarations(function):
                entered.add(name)
                tree.add(getattr(cls, name), declaration)
    for structure in cls.status_structures:
        for handler, declaration in structure.commands():
            tree.add(handler, declaration)
    cls._tree = tree

    @lru_cache(maxsize=_REMEMBERED)
    def parsed(message: bytes) -> tuple[Program, Invocation | None]:
        program = tree.parse(message)
        return program, program.only

    @lru_cache(maxsize=_REMEMBERED)
    def alone(data: bytes) -> Invocation | None:
        """The command or query in bytes that are one whole message with its NL, and hold one."""
        if data.find(b"\n") != len(data) - 1 or b";" in data or b"#" in data:
            return None
        return tree.parse(data).only

    cls._remembered = staticmethod(parsed)
    cls._remembered_alone = staticmethod(alone)


_build(ScpiDevice)
