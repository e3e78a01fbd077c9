"""The virtual instruments: independent SCPI devices around one world."""
