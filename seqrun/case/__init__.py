"""A unit's stay on the bench: complaint, runs, findings over all of them, work, costs, next step.

:func:`case_of` gathers it from the record, :func:`seqrun.case.weighing.weighed` weighs it, and
:func:`seqrun.case.onward.onward` says what to do next.
"""

from seqrun.case.stay import Case, case_of

__all__ = ["Case", "case_of"]
