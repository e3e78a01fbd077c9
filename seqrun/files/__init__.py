"""Files that a user writes, TOML, read into checked, frozen objects.

``unit`` (unit sheets), ``bench``, ``sequence`` and ``driver`` each hold a model and its loader;
``expression`` is the arithmetic of limits, ``shipped`` finds what comes with seqrun, ``kinds``
tells which kind a file is, ``schema`` describes each kind for editors.
"""
