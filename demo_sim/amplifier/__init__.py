"""The amplifier: output devices, stage, signal path, relay, small-signal sections."""
