"""The leads that stand when a run begins, for the person who confirms them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.plan.leads import terminal_of
from seqrun.quantity import render

if TYPE_CHECKING:
    from seqrun.plan.actions import Plan

_SIGNS = {"pos": "+", "neg": "-"}


@dataclass(frozen=True, slots=True)
class Standing:
    """A lead that stands when the run begins: which terminals, on which nodes, in words."""

    kind: str  # "supply", "load", "generator", "probe", "clip", "meter", "sensor" or "lead"
    leads: tuple[tuple[str, str], ...]
    words: str


def standing(plan: Plan) -> list[Standing]:
    """Every standing lead: the supply's with their polarity first, then loads, generator, probes,
    clips and sensors."""
    order = ("supply", "load", "generator", "probe", "clip", "meter", "sensor", "lead")
    return sorted(_all(plan), key=lambda one: order.index(one.kind))


def _all(plan: Plan) -> Iterator[Standing]:
    view = plan.view
    for load in view.bench.load:
        point = view.unit.points().get(load.point)
        if point is None:
            continue
        ends = point.hot, point.cold
        leads = tuple((f"load.{load.name}.{n}", node) for n, node in enumerate(ends, 1))
        what = f"{render(load.resistance, 'Ω')}, {render(load.power, 'W')}"
        yield Standing("load", leads, f"load {load.name} ({what}) from {ends[0]} to {ends[1]}")
    for sensor in view.bench.sensor:
        words = f"{sensor.kind} {sensor.name}: {view.unit.points()[sensor.point].words}"
        yield Standing("sensor", (), words)
    earthed: list[tuple[str, str]] = []
    supplies: dict[str, list[tuple[str, str, str]]] = {}
    outputs: dict[str, list[tuple[str, str]]] = {}
    for name, node in view.bench.terminals.items():
        terminal = terminal_of(view, name)
        if terminal.what == "earth":
            earthed.append((name, node))
        elif terminal.what == "supply":
            output = f"{terminal.key}.{terminal.number}"
            supplies.setdefault(output, []).append((name, node, terminal.end))
        elif terminal.what == "tip":
            factor = view.bench.instrument[terminal.key].probe
            by = f" (×{factor[min(terminal.number, len(factor)) - 1]:g})" if factor else ""
            yield Standing("probe", ((name, node),), f"probe tip {name}{by} on {node}")
        elif terminal.what == "output":
            outputs.setdefault(f"{terminal.key}.{terminal.number}", []).append((name, node))
        else:
            kind = "meter" if terminal.what == "meter" else "lead"
            yield Standing(kind, ((name, node),), f"{name} on {node}")
    for output, fed in outputs.items():
        by = " through a splitter" if len(fed) > 1 else ""
        on = " and ".join(node for _, node in fed)
        yield Standing("generator", tuple(fed), f"generator output {output}{by} on {on}")
    for ends_of in supplies.values():
        told = ", ".join(
            f"{name} ({_SIGNS.get(end.removeprefix('sense_'), '')}) on {node}"
            for name, node, end in ends_of
        )
        pairs = tuple((name, node) for name, node, _ in ends_of)
        yield Standing("supply", pairs, told)
    if earthed:
        names = ", ".join(name for name, _ in earthed)
        yield Standing(
            "clip", tuple(earthed), f"earthed leads on ground, and nowhere else: {names}"
        )


def screen(plan: Plan) -> str:
    """All standing leads on one screen, for the person who confirms them before first power; ""
    when the bench file fixes none."""
    lines = [f"  {one.words}" for one in standing(plan)]
    return "\n".join(["STANDING LEADS  each must be where it is named:", *lines]) if lines else ""


def standing_leads(plan: Plan) -> tuple[tuple[str, str], ...]:
    """Terminal and node of every standing lead, those of an instrument together, for a drawing."""
    leads = [lead for one in standing(plan) for lead in one.leads]
    keys = list(dict.fromkeys(terminal.partition(".")[0] for terminal, _ in leads))
    return tuple(sorted(leads, key=lambda lead: keys.index(lead[0].partition(".")[0])))


def cautions_screen(plan: Plan) -> str:
    """All cautions on one screen, for whoever is about to touch the unit; "" for none."""
    cautions = [*plan.sequence.cautions, *plan.view.unit.cautions]
    return "\n".join(["CAUTIONS", *(f"  {one}" for one in cautions)]) if cautions else ""
