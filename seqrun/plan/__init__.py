"""Sequence + unit + bench -> checked, ordered, costed actions."""
