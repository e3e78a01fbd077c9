"""Instruments that nobody makes, with manners that real ones have: servers, and beside them the
driver files that their manuals would lead to."""
