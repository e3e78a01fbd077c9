"""What is studied, all of it."""

from __future__ import annotations

from seqrun.study.counted import COUNTS
from seqrun.study.front import FRONT, PHONO
from seqrun.study.groups import Group
from seqrun.study.looked_at import LOOKED_AT
from seqrun.study.moments import MOMENTS
from seqrun.study.others import OTHERS
from seqrun.study.power import LEVELS, LOADS, POWER, SUPPLIES
from seqrun.study.signals import (
    CLIPPING,
    CROSSOVER,
    CROSSTALK,
    DISTORTION,
    QUIET,
    RESPONSE,
    TRANSFER,
)
from seqrun.study.strays import STRAYS
from seqrun.study.two_tones import BURSTS, TWO_TONES
from seqrun.study.warmth import CASES, COOLED, HEAT

GROUPS: tuple[Group, ...] = (
    LOADS,
    LEVELS,
    HEAT,
    CASES,
    COOLED,
    POWER,
    SUPPLIES,
    DISTORTION,
    CROSSOVER,
    QUIET,
    TRANSFER,
    RESPONSE,
    CROSSTALK,
    CLIPPING,
    TWO_TONES,
    BURSTS,
    FRONT,
    PHONO,
    *MOMENTS,
    *COUNTS,
    *STRAYS,
    *LOOKED_AT,
    *OTHERS,
)
