"""Unit sheets: ratings and topology of an amplifier, and what follows from them.

``ratings`` holds the keys and their figures, ``untold`` what may be said in words where a figure
belongs, ``points`` where something can be measured, ``names`` what limits may use, ``sheet`` all of
it as one :class:`~seqrun.files.unit.sheet.Unit`, ``features`` what a unit may have or lack.
"""
