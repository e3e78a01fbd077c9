"""What is studied of what comes at random and is counted: bursts, crackles, drop-outs.

The truth is the mean rate of what lets go; a reading is a count over the time listened to, and its
value + U the exact upper bound of that mean (Garwood), value - U below the exact lower one.
"""

from __future__ import annotations

from seqrun.study.benches import Wanted
from seqrun.study.groups import Group, of_channel, step
from seqrun.study.power import AMBIENT

#: more heat than its limit, so that a soak ends as soon as it has listened for its time
SOON = '{ at_most = "0.1 K" }'
KEYS = {
    "until": '"decided"',
    "ambient": '"ambient"',
    "at_least": '"120 s"',
    "at_most": '"10 min"',
    "listen": '"60 s"',
    "limit": SOON,
}
CRACKLING = ("crackle@left=0.5", "crackle@right=1")
_RATE = of_channel(lambda truth, c: truth.crackles_hz(c))
_OPENINGS = of_channel(lambda truth, c: truth.interruptions_hz(c))
COUNTED = Group(
    "counted",
    AMBIENT
    + step("output_bursts", "output_bursts", watch='"60 s"')
    + step(
        "at_point.{channel}",
        "noise_bursts",
        each='"channel"',
        at='"out.{channel}"',
        watch='"60 s"',
    )
    + step("soak", "soak", **KEYS)
    + step("crackles", "crackles", of='"soak"'),
    (
        Wanted("burst_rate", "burst_rate", "output_bursts", _RATE),
        Wanted("burst_rate_at_point", "burst_rate", "at_point", _RATE),
        Wanted("crackle_rate", "crackle_rate", "crackles", _RATE),
    ),
    faults=CRACKLING,
)
INTERRUPTED = Group(
    "interrupted",
    AMBIENT
    + step("soak", "soak", power='"rated_power / 8"', **KEYS)
    + step("drops", "drop_outs", of='"soak"')
    + step("beside", "crackles", of='"soak"'),
    (
        Wanted("drop_out_rate", "drop_out_rate", "drops", _OPENINGS),
        Wanted("crackle_rate_driven", "crackle_rate", "beside", _RATE),
    ),
    faults=("relay_chatter@left=0.5", "dropouts@right=0.3", "crackle@right=0.5"),
)
HUNT = Group(
    "hunt",
    step(
        "hunt.{channel}",
        "noise_hunt",
        each='"channel"',
        at='"out.{channel}"',
        mode='"unattended"',
        warm='"60 s"',
        cool='"60 s"',
    ),
    (
        Wanted("burst_rate_at_rest", "burst_rate", "hunt", _RATE),
        # A cracked joint does not mind the heat.
        Wanted("burst_rate_ratio", "burst_rate_ratio", "hunt", lambda s: 1.0),
    ),
    faults=("crackle@left=0.5", "crackle@right=0.5"),
)
COUNTS = (COUNTED, INTERRUPTED, HUNT)
