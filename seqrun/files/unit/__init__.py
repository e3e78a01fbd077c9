"""Unit sheets: ratings and topology of an amplifier, and what follows from them."""
