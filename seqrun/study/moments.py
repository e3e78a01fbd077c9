"""What is studied of moments: switching on and off, mutes, and lines that a supply puts there."""

from __future__ import annotations

from typing import Any

from seqrun.study.benches import Wanted
from seqrun.study.front import RECEIVER
from seqrun.study.groups import Group, of_channel, step

WHINE_HZ = (1e3, 100e3)  # the step's own band


def _strongest(truth: Any, node: str) -> float:
    """V rms of the strongest line in the band."""
    lines: dict[float, float] = truth.tones(node)
    return max(v for f, v in lines.items() if WHINE_HZ[0] <= f <= WHINE_HZ[1])


SWITCHING = Group(
    "switching",
    step("thump_on", "switching_thump", when='"on"', watch='"12 s"')
    + step("first", "first_tone", of='"thump_on"')
    + step("thump_off", "switching_thump", when='"off"', watch='"4 s"'),
    (
        Wanted("thump_on", "thump", "thump_on", of_channel(lambda truth, c: truth.thump_on(c))),
        Wanted(
            "first_tone_lost",
            "first_tone_lost",
            "first",
            of_channel(lambda truth, c: truth.first_tone_lost(c)),
        ),
        Wanted("thump_off", "thump", "thump_off", of_channel(lambda truth, c: truth.thump_off(c))),
    ),
    faults=("thump@left=0.6", "thump@right=0.1", "dry_relay@left=0.15", "dry_relay@right=0.3"),
    awaited=False,
)
RELEASE = Group(
    "release",
    step("release", "relay_release"),
    (
        Wanted(
            "relay_release",
            "relay_release",
            "release",
            of_channel(lambda truth, c: truth.relay_release(c)),
        ),
    ),
)
OWN_SUPPLY = Group(
    "own_supply",
    step("mute", "mute_length", control='"input"', to='"aux"')
    + step("bench_off", "power_down")
    + step("main", "own_supply")
    + "".join(
        step(f"whine.{rail}", "whine", at=f'"{rail}"', shown="1")
        + step(f"now.{rail}", "ripple", at=f'"{rail}"')
        for rail in ("rail.pos", "rail.neg")
    ),
    (
        Wanted("mute_length", "mute_length", "mute", of_channel(lambda truth, c: truth.muted_s(c))),
        Wanted(
            "own_rail_voltage",
            "own_rail_voltage",
            "main",
            lambda s: abs(float(s.truth.dc(s.reading.channel))),
        ),
        Wanted("whine", "whine", "whine", lambda s: _strongest(s.truth, s.reading.channel)),
    ),
    unit=RECEIVER,
)
MOMENTS = (SWITCHING, RELEASE, OWN_SUPPLY)
