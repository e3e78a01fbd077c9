"""Leads, loads and what they join: from a hookup to load currents.

A closed output is a stiff source (behind its output ballasts, where stages are in parallel), so a
load between two outputs (or output and ground) takes a current that follows from their volts alone:
``Joined.admittance`` times leg volts. Loads in series over a floating node, and loads to a rail,
carry nothing here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.paralleled import Terminals
from demo_sim.amplifier.spec import HALVES, AmplifierSpec, LegSpec
from demo_sim.errors import DemoError

Floats = NDArray[np.float64]

GROUND = "ground"
ENDS = ("hot", "cold")
CLIP_OHM = 0.05  # a scope's clip lead to the earth that the unit's ground shares
_TERMINAL = re.compile(
    r"supply(_\d)?\.\d\.(pos|neg)|meter\.(hi|lo|sense_hi|sense_lo|amps)|scope\.\d(\.clip)?"
    r"|generator\.\d(\.\d)?|load\.[a-z0-9_]+\.[12]|capacitor\.[12]|switch\.[a-z0-9_.]+"
    r"|sensor\.probe|cooler"
)


@dataclass(frozen=True, slots=True)
class Load:
    """A dummy load: what it is, and what its label says.

    Args:
        ohm: true resistance; inf when its lead is broken. stated_ohm, tolerance: on the label
            after it was measured; tolerance is a fraction. power_w: rating.
    """

    name: str
    ohm: float
    stated_ohm: float
    tolerance: float
    power_w: float


def leg_label(channel: str, side: str) -> str:
    return f"{channel}.{side}" if side else channel


def ballast_node(channel: str, side: str, half: str, number: int, end: str) -> str:
    return f"ballast.{leg_label(channel, side)}.{half}.{number}.{end}"


def output_ballast_node(channel: str, side: str, stage: int, end: str) -> str:
    return f"output_ballast.{leg_label(channel, side)}.{stage}.{end}"


def stage_case(channel: str, leg: LegSpec) -> str:
    """The case of an integrated stage; one alone at its terminal is number 1."""
    return f"case.{leg_label(channel, leg.side)}.{leg.stage or 1}"


def case_nodes(spec: AmplifierSpec) -> list[str]:
    """The case of every output device, or of every integrated stage, that a probe can touch."""
    if not spec.cases_accessible:
        return []
    legs = [(channel.name, leg) for channel in spec.channels for leg in channel.legs]
    if spec.integrated:
        return [stage_case(name, leg) for name, leg in legs]
    return [
        f"case.{leg_label(name, leg.side)}.{half}.{number}"
        for name, leg in legs
        for half in HALVES
        for number, _ in leg.numbered(half)
    ]


def unit_nodes(spec: AmplifierSpec) -> list[str]:
    """Every node of a unit that a lead can be put on."""
    nodes = [GROUND, "rail.pos", "link.rail.pos"]
    if spec.split:
        nodes += ["rail.neg", "link.rail.neg"]
    for channel in spec.channels:
        nodes.append(f"in.{channel.name}")
        nodes += [f"in.{channel.name}.{name}" for name in spec.inputs]
        if spec.headphones:
            nodes.append(f"phones.{channel.name}")
        nodes += [f"out.{leg_label(channel.name, side)}" for side in channel.sides]
        for leg in channel.legs:
            for half in HALVES if spec.ballasts_accessible else ():
                for number, _ in leg.numbered(half):
                    nodes += [
                        ballast_node(channel.name, leg.side, half, number, end) for end in ENDS
                    ]
            if leg.stage and spec.output_ballasts_accessible:
                nodes += [
                    output_ballast_node(channel.name, leg.side, leg.stage, end) for end in ENDS
                ]
    if spec.standby_v is not None:
        nodes.append("standby")
    nodes += ["sink", *case_nodes(spec)]
    for sensor in ("sink", "ambient", "probe"):
        nodes += [f"sensor.{sensor}.hot", f"sensor.{sensor}.cold"]
    return nodes


class Hookup:
    """Which lead is on which node."""

    def __init__(self, nodes: Iterable[str], meter_swapped: bool = False) -> None:
        self._nodes = list(nodes)
        self._known = set(self._nodes)
        self._leads: dict[str, str] = {}
        self._swapped = {"meter.hi": "meter.lo", "meter.lo": "meter.hi"} if meter_swapped else {}

    @property
    def nodes(self) -> list[str]:
        return list(self._nodes)

    @property
    def terminals(self) -> list[str]:
        return sorted(self._leads)

    def connect(self, terminal: str, node: str) -> None:
        self._check(terminal)
        if node not in self._known:
            raise DemoError("no such node", found=node, hint=_nearest(node, self._nodes))
        self._leads[self._swapped.get(terminal, terminal)] = node

    def disconnect(self, terminal: str) -> None:
        self._check(terminal)
        self._leads.pop(self._swapped.get(terminal, terminal), None)

    def node_of(self, terminal: str) -> str | None:
        return self._leads.get(terminal)

    def on(self, node: str) -> list[str]:
        """Terminals on a node."""
        return sorted(t for t, n in self._leads.items() if n == node)

    def matching(self, prefix: str) -> Mapping[str, str]:
        return {t: n for t, n in sorted(self._leads.items()) if t.startswith(prefix)}

    @staticmethod
    def _check(terminal: str) -> None:
        if not _TERMINAL.fullmatch(terminal):
            raise DemoError(
                "no such terminal",
                found=terminal,
                expected="such as supply.1.pos, meter.hi, scope.1, scope.1.clip, generator.1, "
                "load.left.1",
            )


def _nearest(word: str, known: Sequence[str]) -> str:
    import difflib

    near = difflib.get_close_matches(word, known, 1, 0.5)
    return f"nearest: {near[0]}" if near else ""


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """What the hookup makes of the outputs.

    Args:
        admittance: (legs, legs), S: current out of each leg = admittance @ leg volts.
        outputs: (terminals, legs): volts at each output node = outputs @ leg volts.
        joints: the same where the stages in parallel at a terminal meet, before its relay.
        floating: output nodes that nothing holds. shorted: nodes that a scope clip grounds.
    """

    admittance: Floats
    outputs: Floats
    joints: Floats
    floating: frozenset[int] = field(default_factory=frozenset)
    shorted: tuple[str, ...] = ()


def join(
    spec: AmplifierSpec, hookup: Hookup, loads: Mapping[str, Load], closed: Sequence[bool]
) -> Joined:
    """``closed`` per channel: its output relay."""
    sides = [(i, side) for i, c in enumerate(spec.channels) for side in c.sides]
    names = [leg_label(spec.channels[i].name, side) for i, side in sides]
    at = {f"out.{name}": i for i, name in enumerate(names)}
    stages = terminals(spec)
    contact = np.array([spec.channels[i].relay.contact_ohm for i, _ in sides])
    contact = contact + stages.ohm
    closed = [
        closed[i] and bool(ohm < math.inf) for (i, _), ohm in zip(sides, contact, strict=True)
    ]
    resistors: list[tuple[str | None, str | None, float]] = [
        (hookup.node_of(f"load.{name}.1"), hookup.node_of(f"load.{name}.2"), load.ohm)
        for name, load in loads.items()
    ]
    shorted = []
    for terminal, node in hookup.matching("scope.").items():
        if terminal.endswith(".clip") and node != GROUND:
            resistors.append((node, GROUND, CLIP_OHM))
            shorted.append(node)
    count = len(sides)
    admittance = np.zeros((count, count))
    held = np.zeros((count, count))
    floating = {i for i in range(count) if not closed[i]}
    for one, other, ohm in resistors:
        if one is None or other is None or one == other or math.isinf(ohm):
            continue
        ends = [_stiff(node, at, closed) for node in (one, other)]
        if None not in ends:
            total = ohm + sum(float(contact[i]) for i in ends if i is not None and i >= 0)
            a, b = ends
            for i, j in ((a, b), (b, a)):
                if i is not None and i >= 0:
                    admittance[i, i] += 1.0 / total
                    if j is not None and j >= 0:
                        admittance[i, j] -= 1.0 / total
            continue
        for node, end, far in ((one, ends[0], ends[1]), (other, ends[1], ends[0])):
            if end is None and far is not None and node in at:
                floating.discard(at[node])
                if far >= 0:
                    held[at[node], far] = 1.0
    outputs = held
    for i in range(count):
        if closed[i]:
            outputs[i] = -contact[i] * admittance[i]
            outputs[i, i] += 1.0
    return Joined(
        stages.of_stages(admittance),
        outputs @ stages.weights,
        stages.joints(admittance),
        frozenset(floating),
        tuple(shorted),
    )


def terminals(spec: AmplifierSpec) -> Terminals:
    """How the stages of a unit come together at its speaker terminals."""
    legs = [(c.name, leg) for c in spec.channels for leg in c.legs]
    groups: dict[tuple[str, str], list[int]] = {}
    for i, (name, leg) in enumerate(legs):
        groups.setdefault((name, leg.side), []).append(i)
    siemens = [leg.siemens if leg.stage else math.inf for _, leg in legs]
    return Terminals(list(groups.values()), np.array(siemens))


def _stiff(node: str, at: Mapping[str, int], closed: Sequence[bool]) -> int | None:
    """A leg's number, −1 for ground, None for a node that nothing holds."""
    if node == GROUND:
        return -1
    leg = at.get(node)
    return leg if leg is not None and closed[leg] else None
