"""A unit's case in a terminal, and as a text file that any program reads."""
