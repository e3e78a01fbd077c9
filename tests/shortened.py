"""The shipped acceptance less the families of steps that a test does not ask about."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from seqrun.files.shipped import find

#: families of steps that listen to the unit at rest and at small signals, before it is warm
SOUND = (
    "polarity",
    "noise",
    "hum",
    "gain",
    "balance",
    "bass",
    "even_low",
    "treble",
    "even_high",
    "crossover",
    "separation",
    "separation_high",
    "stray_cold",
    "stray_cold_loud",
    "stray_rest",
    "contacts",
    "stray_unloaded",
    "stages",
)
#: families that drive the unit hard, on which no later one leans
POWER = (
    "bursts",
    "stray",
    "stray_low",
    "noise_driven",
    "hum_driven",
    "distortion_low",
    "distortion",
    "distortion_high",
    "bursts_loud",
    "power_low",
    "power_high",
    "power",
    "beside_loud",
    "stray_alone",
    "overload",
    "overload_after",
)
#: families that listen to it once more, warm
SOUND_HOT = (
    "gain_hot",
    "gain_drift",
    "gain_loud",
    "gain_even",
    "response_hot",
    "balance_hot",
    "noise_hot",
    "hum_hot",
)
#: steps that judge what was heard while it soaked
HEARD = ("crackles_idle", "drop_outs", "crackles_driven")
#: families that measure once more, warm, at another level or at another frequency
AGAIN = (
    "separation_high",
    "stray_rest",
    "stray_low",
    "distortion_low",
    "distortion_high",
    "bursts_loud",
    "power_low",
    "power_high",
    "beside_loud",
    "stray_alone",
    "overload",
    "overload_after",
    *SOUND_HOT,
)
#: what is left out where only heat and idle currents matter
UNHEARD = (*SOUND, *POWER, *SOUND_HOT, *HEARD)
#: what is left out on the way to a supply that gives way
WEAK = (*SOUND, *AGAIN, *HEARD)
LISTEN = re.compile(r"^listen = .*\n", re.MULTILINE)


def cut_short(folder: Path, last: str, without: Sequence[str] = ()) -> str:
    """The shipped acceptance up to the family ``last``, and its way down; the path of its file.

    What is found early need not be driven hot for half an hour; and nobody listens through the
    soaks when no step asks what was heard.
    """
    head, *steps = find("sequence", "acceptance").read_text("utf-8").split("[[step]]\n")
    ids = [text.removeprefix('id = "').partition('"')[0].partition(".")[0] for text in steps]
    kept = [n for n in range(ids.index(last) + 1) if ids[n] not in without]
    if {*HEARD} <= {*without}:
        steps = [LISTEN.sub("", s) if 'do = "soak"' in s else s for s in steps]
    path = folder / f"acceptance-to-{last}.toml"
    down = [steps[-1]] if len(steps) - 1 not in kept else []
    path.write_text("[[step]]\n".join([head, *(steps[n] for n in kept), *down]), "utf-8")
    return str(path)
