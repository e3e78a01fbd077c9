"""What is studied, all of it."""

from __future__ import annotations

from seqrun.study.groups import Group
from seqrun.study.others import OTHERS
from seqrun.study.power import HEAT, LEVELS, LOADS, POWER, SUPPLIES
from seqrun.study.signals import (
    CLIPPING,
    CROSSOVER,
    CROSSTALK,
    DISTORTION,
    QUIET,
    RESPONSE,
    TRANSFER,
)

GROUPS: tuple[Group, ...] = (
    LOADS,
    LEVELS,
    HEAT,
    POWER,
    SUPPLIES,
    DISTORTION,
    CROSSOVER,
    QUIET,
    TRANSFER,
    RESPONSE,
    CROSSTALK,
    CLIPPING,
    *OTHERS,
)
