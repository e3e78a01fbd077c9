"""What the keys of steps mean, for `seqrun steps`, the JSON Schema and whoever writes a sequence.

A key that means the same in every kind of step is described here once; where a kind means something
of its own, its field has a description, which counts, or stands here under (kind, key).
"""

from __future__ import annotations

from seqrun.plan.contract import Step

COMMON: dict[str, str] = {
    "limit": "what the reading is held against: at_least, at_most or between",
    "settle": "it is read once it has settled: within a band, for a time; at_most: when to give up",
    "frequency": 'of the test tone, such as "1 kHz"',
    "at": "the point that is measured, such as out.{channel}",
    "repeats": "readings that are averaged; their scatter goes into the uncertainty",
    "every": "time between two readings",
    "at_most": "when to give up waiting",
    "record_time": "length of one record of the scope",
    "of": "id of the earlier step whose readings it is made from, or the beginning of several ids",
    "low": "lowest frequency",
    "high": "highest frequency",
    "sample_rate": "samples in a second that the scope takes at least, as a frequency",
    "per_octave": "frequencies in an octave",
    "weighting": "filter in front of the reading: unweighted, a or ccir",
    "at_distortion": 'the distortion at which power counts, such as "1 %"',
    "power": 'into each load, such as "rated_power / 8"',
    "nplc": "integration time of the meter, in mains cycles",
    "records": "records that are taken",
    "watch": "how long it is watched",
    "start": "the power that the search begins at; half of the rated power when left out",
    "near": "how close the search comes to the power, as a share of it",
    "tries": "levels that the search may try before it gives up",
}
OF_KIND: dict[tuple[str, str], str] = {
    ("condition", "of"): "id of the earlier step whose reading is looked at",
    ("condition", "at_least"): "what the reading must reach",
    ("condition", "at_most"): "what the reading must not exceed",
    ("control_effect", "control"): "the control that is turned, as the unit sheet names it",
    ("dc_voltage", "expect"): "what a healthy unit shows: chooses the range and tells the plan",
    ("drop", "below"): "the voltage that the drop is counted from",
    ("dynamic_headroom", "cycles"): "cycles of the tone in one burst",
    ("dynamic_headroom", "period"): "time from one burst to the next",
    ("noise_hunt", "cycles"): "unattended: how often the heat is cycled",
    (
        "noise_hunt",
        "mode",
    ): "operator (keys), unattended (heat cycles) or auto",
    ("noise_hunt", "sensor"): "the sensor that is watched while the unit's own heat is cycled",
    ("hum", "multiples"): "multiples of the mains frequency that are added up",
    ("idle_drift", "against"): "id of the earlier step that the drift is counted from",
    (
        "intermodulation",
        "method",
    ): "modulation (one low tone, one high) or difference (two high)",
    ("isolate", "look_for"): "the disturbance: noise, hum or offset",
    ("isolate", "cuts"): "places where the signal's path can be cut, each a table",
    (
        "noise_bursts",
        "trace",
    ): "what goes on record beside the counts: none or levels",
    ("power_down", "within"): "how long the rails may take to fall below 2 V",
    ("protect_supply", "over_voltage"): "at which the supply itself switches off",
    ("protect_supply", "over_current"): "at which the supply itself switches off",
    ("soak", "ambient"): "id of the step that read the ambient temperature",
    ("soak", "at"): "the sensor whose rise is watched",
    ("soak", "at_least"): "how long it is held in any case",
    ("soak", "within"): "predicted: how well the end value must be known",
    ("soak", "until"): "settled: the rise has levelled off; predicted: its end is known by fit",
    ("hum_driven", "multiples"): "how many multiples of the mains frequency are added up",
    ("stray_signal", "above"): "frequency above which nothing belongs to the signal",
    ("screen_volts", "what"): "what is read off the screen: peak to peak, rms or DC",
    ("tell", "text"): "what is said to the operator",
    ("tone_range", "full"): "name of the control's position for the most",
    ("tone_range", "middle"): "name of its flat position",
    ("tone_range", "least"): "name of its position for the least",
    ("whine", "shown"): "lines that go on record, the strongest first",
    ("switching_thump", "when"): "which is watched: switching on or off",
}


def described(kind: type[Step]) -> dict[str, str]:
    """What each key of a kind of step means, by the key as it is written; "" where nobody says."""
    return {
        (field.alias or key): field.description
        or OF_KIND.get((kind.kind, key), "")
        or COMMON.get(key, "")
        for key, field in kind.model_fields.items()
    }


def summary(kind: type[Step]) -> str:
    """What a kind of step does, in the first sentences of its docstring."""
    first = (kind.__doc__ or "").strip().split("\n\n")[0]
    return " ".join(first.split())
