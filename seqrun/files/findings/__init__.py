"""Findings files: patterns of readings and the causes they speak for."""
