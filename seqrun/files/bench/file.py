"""The bench file: instruments, leads that stay where they are, loads and sensors."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, StringConstraints

from seqrun.files.bench.parts import (
    InstrumentEntry,
    Lead,
    Load,
    Sensor,
    ShortKey,
    Simulator,
    ends,
)
from seqrun.files.common import FileModel
from seqrun.files.dirt import Dirt
from seqrun.files.sound import Sound


class Bench(FileModel):
    """The bench, as its file says."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=80)] = Field(
        description='such as "Corner bench"'
    )
    unit: str = Field("", description="unit sheet of the unit that is on this bench")
    operator: str = ""
    visa: Annotated[str, StringConstraints(max_length=300)] = Field(
        "", description='the VISA library: "@py", or the path of a maker\'s; else PYVISA_LIBRARY'
    )
    simulator: Simulator | None = None
    instrument: Annotated[dict[ShortKey, InstrumentEntry], Field(min_length=1)] = Field(
        description="a table such as [instrument.supply] for each instrument"
    )
    lead: Annotated[tuple[Lead, ...], BeforeValidator(ends)] = ()
    load: tuple[Load, ...] = ()
    sensor: tuple[Sensor, ...] = ()
    dirt: Dirt = Field(Dirt(), description="what no data sheet tells")
    sound: Sound | None = Field(
        None,
        description="levels and faults of a sound interface, as 'seqrun bench sound' found them",
    )

    @property
    def simulated(self) -> bool:
        """True when the instruments are virtual; it is stamped on every record."""
        return self.simulator is not None

    @property
    def terminals(self) -> dict[str, str]:
        """Leads that stay where they are: terminal -> node. Loads are not among them: which nodes
        a load is across follows from its point and the unit sheet."""
        return {lead.source: lead.to for lead in self.lead}
