"""What kinds of step have in common: driving, listening, settling, heatsink, forecasts."""
