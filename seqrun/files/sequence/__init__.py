"""Sequence files: trips, steps, what every step has in common, and what must hold between them."""
