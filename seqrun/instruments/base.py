"""What all roles share: a name, a link, the driver's operations, the accuracy table."""

from __future__ import annotations

from contextlib import suppress

from seqrun.errors import InstrumentRefused
from seqrun.files.driver.file import Driver
from seqrun.instruments.accuracy import Accuracy
from seqrun.instruments.interpreter import Operations
from seqrun.instruments.link import Link, MessageLog


class DrivenInstrument:
    """An instrument that is spoken to as its driver file says.

    Args:
        name: its key in the bench file.
        driver: its driver file.
        link: open, and known to lead to the right instrument.
        label: what the bench file says of it, for one that cannot tell its identity.
    """

    by_hand = False

    def __init__(self, name: str, driver: Driver, link: Link, label: str = "") -> None:
        self.name = name
        self.driver = driver
        self._link = link
        self._label = label
        self._ops = Operations(driver, link)
        self._accuracy = Accuracy(name, driver)
        for first in ("go_remote", "prepare"):
            if first in self._ops:
                self._ops[first]()

    @property
    def identity(self) -> str:
        """Its identity as it was read when the bench was opened; with a driver whose answer names
        nothing, what the bench file's ``label`` says, and the answer if there is one."""
        if self.driver.identity.tells == "identity":
            return self._link.identity
        if self.driver.identity.tells == "nothing":
            return f"{self._label} (by its label; it answers nothing)"
        return f'{self._label} (by its label; it answers "{self._link.identity}")'

    def make_safe(self) -> None:
        """Outputs off, as fast as the link allows; works from any state of the link. A link that
        broke is opened again, and one that is out of step is put in step.

        Raises:
            InstrumentSilent, InstrumentRefused: it may not be safe.
        """
        if "make_safe" in self._ops:
            self._ops["make_safe"].urgently()

    def reopen(self) -> None:
        """Open a link that broke once more and see that the same instrument answers; nothing is
        set. :meth:`make_safe` does so by itself.

        Raises:
            InstrumentSilent: it cannot be reached.
            WrongInstrument: another one answers there now.
        """
        self._link.reopen()

    @property
    def link(self) -> Link:
        """For the handshake and the self-check, which say what was sent and what came."""
        return self._link

    def listen(self, log: MessageLog) -> None:
        """From now on the link's messages go to another log."""
        self._link.listen(log)

    def close(self) -> None:
        """Give the link back; the instrument keeps its state. Never raises."""
        if "release" in self._ops:
            with suppress(Exception):  # nothing depends on the panel being given back
                self._ops["release"]()
        self._link.close()


class DrivenSource(DrivenInstrument):
    """An instrument with outputs, counted from 1."""

    @property
    def outputs(self) -> int:
        """How many outputs there are."""
        return self.driver.outputs

    def _says_on(self, output: int | None) -> bool:
        """Whether an output is on, as the instrument says; without one, whether any is: off only
        when every one has said so."""
        call = self._ops["enabled"]
        if "output" not in call.names:
            return call.boolean()
        if output is not None:
            return call.boolean(output=self._known(output))
        return any(call.boolean(output=n) for n in range(1, self.outputs + 1))

    def _known(self, output: int) -> int:
        if not 1 <= output <= self.outputs:
            raise InstrumentRefused(
                f"there is no output {output}",
                expected=f"1 to {self.outputs}",
                where=self._link.where,
            )
        return output
