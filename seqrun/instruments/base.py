"""What all roles share: a name, a link, the driver's operations, the accuracy table."""

from __future__ import annotations

from seqrun.errors import InstrumentRefused
from seqrun.files.driver import Driver
from seqrun.instruments.accuracy import Accuracy
from seqrun.instruments.interpreter import Operations
from seqrun.instruments.link import Link, MessageLog


class DrivenInstrument:
    """An instrument that is spoken to as its driver file says.

    Args:
        name: its key in the bench file.
        driver: its driver file.
        link: open, and known to lead to the right instrument.
    """

    def __init__(self, name: str, driver: Driver, link: Link) -> None:
        self.name = name
        self.driver = driver
        self._link = link
        self._ops = Operations(driver, link)
        self._accuracy = Accuracy(name, driver)
        if "prepare" in self._ops:
            self._ops["prepare"]()

    @property
    def identity(self) -> str:
        """The answer to ``*IDN?`` as it was read when the bench was opened."""
        return self._link.identity

    def make_safe(self) -> None:
        """Outputs off, as fast as the link allows; works from any state of the link.

        Raises:
            InstrumentSilent, InstrumentRefused: it may not be safe.
        """
        if "make_safe" in self._ops:
            self._link.urgent(*self.driver.operation["make_safe"].send)

    def listen(self, log: MessageLog) -> None:
        """From now on the link's messages go to another log."""
        self._link.listen(log)

    def close(self) -> None:
        """Give the link back; the instrument keeps its state."""
        self._link.close()


class DrivenSource(DrivenInstrument):
    """An instrument with outputs, counted from 1."""

    @property
    def outputs(self) -> int:
        """How many outputs there are."""
        return self.driver.outputs

    def _known(self, output: int) -> int:
        if not 1 <= output <= self.outputs:
            raise InstrumentRefused(
                f"there is no output {output}",
                expected=f"1 to {self.outputs}",
                where=self._link.where,
            )
        return output
