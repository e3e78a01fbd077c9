"""Likely causes in words, on the page and in a terminal."""
