"""Files that a user writes, TOML, read into checked, frozen objects.

``unit``, ``driver``, ``sequence``, ``findings``, ``bench`` and ``costs`` hold a kind of file each;
``expression`` is the arithmetic of limits, ``shipped`` finds what comes with seqrun, ``kinds``
tells which kind a file is, ``schema`` describes each kind for editors.
"""
