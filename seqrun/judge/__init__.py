"""Judgement: a reading and its limit -> verdict and probability; verdicts -> disposition; two
readings -> changed or not.

Rules: ILAC-G8:09/2019 (decision rule), JCGM 106:2012 (conformance probability). Nothing here reads
an instrument, a clock or a file.
"""

from seqrun.judge.change import Change, Difference, difference
from seqrun.judge.disposition import dispose, held, weighed
from seqrun.judge.risk import (
    cannot_decide,
    conformance_probability,
    pass_probability,
    tur,
    worst_false_accept,
)
from seqrun.judge.verdict import GUARDED, SIMPLE, Apart, decide

__all__ = [
    "GUARDED",
    "SIMPLE",
    "Apart",
    "Change",
    "Difference",
    "cannot_decide",
    "conformance_probability",
    "decide",
    "difference",
    "dispose",
    "held",
    "pass_probability",
    "tur",
    "weighed",
    "worst_false_accept",
]
