"""Which quantities are studied, as which kinds of step read them, and why the others are not.

Every quantity that a kind of step yields has its truth in a group of the study, or is read by the
very code of a kind that has, or stands here with the reason. A new step needs one of the three.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache

from seqrun.plan.contract import Step
from seqrun.study.benches import bring_up
from seqrun.study.groups import Group
from seqrun.study.quantities import GROUPS

#: kinds that are other kinds with another of their quantities judged, or with more before it
READ_AS: Mapping[str, tuple[str, ...]] = {
    "damping_factor": ("source_impedance",),
    "dissipation": ("efficiency",),
    "lower_corner": ("frequency_response",),
    "upper_corner": ("frequency_response",),
    "sinad": ("thd",),
    "thd_n": ("thd",),
    "sustained_power": ("output_power", "hold_power"),
}
NO_U = "it is shown without an uncertainty"
A_CHANGE = (
    "of a sound unit it is the root of the squares of noise, which is nothing by no count; tests "
    "hold it against changes of known size"
)
UNTOLD: Mapping[str, str] = {
    "beside_other": A_CHANGE,
    "burst_peak": NO_U,
    "condition_met": NO_U,
    "cooled_fall": "it hangs on how cold a hand makes the case; what is made of it, the share, has "
    "its truth",
    "crackle_peak": NO_U,
    "gain_with_level": "the difference of two gains, each of which has its truth",
    "hum_rectified_share": NO_U,
    "just_on_change": A_CHANGE,
    "listened": NO_U,
    "lost_time": NO_U,
    "low_rail_change": A_CHANGE,
    "noise_peak": NO_U,
    "over_current_protection": NO_U,
    "over_voltage_protection": NO_U,
    "overload_change": A_CHANGE,
    "overload_sticks": "the stage of a sound unit, and of every fault of the catalogue, comes back "
    "at once; tests hold it against "
    "stages that stick for a known time",
    "relay_chatter": "the relay of a sound unit, and of every fault of the catalogue, closes once; "
    "tests hold it against one that bounces for a known time",
    "suspects_left": NO_U,
    "thump_dc": NO_U,
    "whine_frequency": NO_U,
    "disturbance_cut": "it is the disturbance itself, read once more with a lead or a switch "
    "changed, which is put back before the reading is told",
    "idle_current_slope": "the loop gain is worked out from it, and has its truth",
    "overload_seen": "it is what a person sees of a lamp or an ammeter; the simulated unit has no "
    "mains plug",
    "ripple_peak_to_peak": "the highest of many samples of noise: there is no more to it than that "
    "record",
    "sensor_temperature": "the simulated bench has sensors on the heatsink and in the air alone; "
    "they are read by the same step",
    "thermal_time_constant": "where heat goes more than one way there is no such one number; what "
    "is made of it, the rise, has its truth",
}
Pairs = set[tuple[str, str]]


@cache
def studied() -> frozenset[tuple[str, str]]:
    """(kind of step, quantity) of all that has its truth in a group."""
    return frozenset(_studied(GROUPS))


def _studied(groups: Iterable[Group]) -> Iterator[tuple[str, str]]:
    for group in groups:
        entries = tomllib.loads(bring_up() + group.steps)["step"]
        for wanted in group.wanted:
            for entry in entries:
                name = str(entry["id"])
                if name == wanted.step or name.startswith(f"{wanted.step}."):
                    yield str(entry["do"]), wanted.quantity


def without_truth(kinds: Mapping[str, type[Step]]) -> Pairs:
    """(kind of step, quantity) of all that has neither a truth nor a reason why there is none."""
    known = studied()
    lacking: Pairs = set()
    for name, kind in kinds.items():
        for one in kind.yields:
            ways = (name, *READ_AS.get(name, ()))
            if one.of.name not in UNTOLD and not any((way, one.of.name) in known for way in ways):
                lacking.add((name, one.of.name))
    return lacking
