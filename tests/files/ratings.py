"""A unit sheet that is right, key by key, to be changed or spoilt."""

RATINGS = {
    "model": '"Bench mule"',
    "channels": '["left", "right"]',
    "topology": '"single_ended"',
    "rails": '"split"',
    "rail_voltage": '"30 V"',
    "rated_power": '"40 W"',
    "rated_load": '"8 Ω"',
    "gain": '"29 dB"',
    "output_devices": "2",
    "ballast": '"0.22 Ω"',
    "idle_current": '"25 mA"',
    "sink_rise_limit": '"40 K"',
}
