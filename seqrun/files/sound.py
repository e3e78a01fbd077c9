"""``[sound]`` of a bench file: what a sound interface was found to be, levels and faults.

``seqrun bench sound FILE`` finds them and writes the table: levels against the meter, the rest by
joining its outputs to its inputs. Without it the levels are known no better than the driver says.
"""

from __future__ import annotations

import datetime
from typing import Annotated

from pydantic import Field, StringConstraints

from seqrun.files.common import Strict
from seqrun.quantity import Decibels, Fraction, Volts

Positive = Annotated[Volts, Field(gt=0.0)]


class Sound(Strict):
    """Levels at full scale, and what outputs and inputs together do wrong."""

    levelled: datetime.date = Field(description="the day on which levels were found")
    against: Annotated[str, StringConstraints(min_length=1, max_length=120)] = Field(
        description="the meter that they were found against"
    )
    input_full_scale: Annotated[tuple[Positive, ...], Field(min_length=1)] = Field(
        description="V peak at the tip of each input's lead, its divider included"
    )
    output_full_scale: Annotated[tuple[Positive, ...], Field(min_length=1)] = Field(
        description="V peak of each output, open circuit"
    )
    level_uncertainty: Fraction = Field(
        gt=0.0, lt=0.5, description="of these levels at 1 kHz, expanded (k = 2)"
    )
    floor: Volts = Field(gt=0.0, description="noise of an input at the tip, 22 Hz to 22 kHz, rms")
    distortion: Fraction = Field(
        gt=0.0, lt=1.0, description="harmonics of a tone at half of full scale, from out to in"
    )
    flatness: Fraction = Field(
        gt=0.0, lt=1.0, description="largest departure from 1 kHz, 20 Hz to 20 kHz, from out to in"
    )
    crosstalk: Decibels = Field(
        lt=0.0, description='of one input in the other beside it, such as "-95 dB"'
    )
