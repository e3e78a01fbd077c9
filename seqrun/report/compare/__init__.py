"""Two runs of one unit side by side."""
