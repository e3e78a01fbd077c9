"""``[dirt]`` of a bench file: what every bench has and no data sheet tells.

Leads, clips, warm loads, probes, sensors that touch badly, a room that warms. Each figure is the
user's own; where nothing is said a default stands that is not zero (our own choice from common
practice, figures from memory), so that no budget pretends to a bench without any of it.
"""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field

from seqrun.files.common import Problem, Strict
from seqrun.quantity import Fraction, Kelvins, Ohms, Volts


class Dirt(Strict):
    """Half-widths: an error lies anywhere within ± the figure, unless the key says otherwise."""

    load_leads: Ohms = Field(
        default=0.020,
        ge=0.0,
        le=1.0,
        description="of a load's own leads, which are not in the ohms that a meter reads",
    )
    load_heating: Fraction = Field(
        default=0.04,
        ge=0.0,
        lt=0.5,
        description="what a load gains at its power rating: between nothing and twice this, in "
        "proportion to the power in it",
    )
    clip_contact: Ohms = Field(
        default=0.010,
        ge=0.0,
        le=1.0,
        description="how far a clip put back makes another contact",
    )
    meter_contacts: Ohms = Field(
        default=0.15,
        ge=0.0,
        le=2.0,
        description="what a meter's leads and clips add to ohms by two wires, beyond what is told "
        "of its leads: between nothing and this",
    )
    thermal_emf: Volts = Field(
        default=10e-6, ge=0.0, le=0.1, description="of the clips and leads of a DC reading"
    )
    ballast_per_kelvin: Fraction = Field(
        default=400e-6,
        ge=0.0,
        lt=0.1,
        description="change of a ballast resistor for each kelvin",
    )
    probe_ratio: Fraction = Field(
        default=0.01, ge=0.0, lt=0.5, description="of a probe that divides; none of a direct one"
    )
    probe_compensation: Fraction = Field(
        default=0.01, ge=0.0, lt=0.5, description="of a probe that divides: treble against 1 kHz"
    )
    sensor_contact: Fraction = Field(
        default=0.03,
        ge=0.0,
        lt=0.5,
        description="of the rise, which a sensor on the heatsink loses by how it touches: at most",
    )
    pick_up: Volts = Field(
        default=0.2e-3,
        ge=0.0,
        le=0.1,
        description="rms of the mains that a lead to a quiet point picks up; where the spare probe "
        "on ground shows more than half of it, twice that",
    )
    room_per_hour: Kelvins = Field(
        default=1.0, ge=0.0, le=20.0, description="how far the room drifts in an hour"
    )


def nothing_is_clean(dirt: Dirt) -> Iterator[Problem]:
    """A real bench has some of each: zero is for a simulated one, which knows its own."""
    for key, value in dirt:
        if value == 0.0:
            yield Problem(f"dirt, {key}", "none at all", "more than zero, on a real bench")
