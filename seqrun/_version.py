"""The version, where any floor may read it."""

__version__ = "0.2.0"
