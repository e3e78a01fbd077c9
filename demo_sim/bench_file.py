"""The bench file of a simulated bench, as text: what is on it and which leads stay in place."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

# Instruments of the demo bench and the day on which each was last calibrated, by invention.
CALIBRATED = {
    "supply": "2026-03-02",
    "supply_2": "2026-03-02",
    "meter": "2026-03-04",
    "scope": "2026-03-03",
    "generator": "2026-03-03",
    "switch": None,
}
PROBE = 10
# What is written on a load: ohms as measured, tolerance of that as a fraction, rating in watts.
LoadLabel = tuple[float, float, float]
SCOPE_CHANNELS = 4
#: what a bench file may say of what no data sheet tells, with its unit
DIRT = {
    "load_leads": "Ω",
    "load_heating": "%",
    "clip_contact": "Ω",
    "meter_contacts": "Ω",
    "thermal_emf": "V",
    "ballast_per_kelvin": "%",
    "probe_ratio": "%",
    "probe_compensation": "%",
    "sensor_contact": "%",
    "pick_up": "V",
}
GENERATOR_OUTPUTS = 2
_SPLIT = re.compile(r"generator\.\d\.\d")  # the further ends of a splitter


@dataclass(frozen=True, slots=True)
class Wiring:
    """What of a unit decides the wiring of the bench around it."""

    channels: Sequence[str]
    bridged: bool
    split_rails: bool
    single_supplies: bool = False
    scope_channels: int = SCOPE_CHANNELS
    probe: float = PROBE  # what each tip of the scope divides by
    cases: bool = False  # a probe is there to be held on the cases of output devices
    splitter: bool = False  # one output of the generator into all inputs


def fixed_leads(wiring: Wiring) -> dict[str, str]:
    """Terminal -> node for the leads that stay where they are, in the order of a wiring list."""
    leads = {"supply.1.pos": "rail.pos", "supply.1.neg": "ground"}
    if wiring.split_rails:
        second = "supply_2.1" if wiring.single_supplies else "supply.2"
        leads |= {f"{second}.pos": "ground", f"{second}.neg": "rail.neg"}
    if wiring.splitter:
        for end, channel in enumerate(wiring.channels, 1):
            leads["generator.1" if end == 1 else f"generator.1.{end}"] = f"in.{channel}"
    else:
        for count, channel in enumerate(wiring.channels):
            # Channels beyond the outputs share one with the first of them, by a splitter.
            end, number = divmod(count, GENERATOR_OUTPUTS)
            further = f".{end + 1}" if end else ""
            leads[f"generator.{number + 1}{further}"] = f"in.{channel}"
    tips = [node for channel in wiring.channels for node in output_nodes(wiring, channel)]
    # A bridged output is seen as the difference of two tips: only whole channels are wired.
    whole = len(tips[: wiring.scope_channels]) // (2 if wiring.bridged else 1)
    tips = tips[: whole * (2 if wiring.bridged else 1)]
    for number, node in enumerate(tips, 1):
        leads[f"scope.{number}"] = node
    for number in range(1, len(tips) + 1):
        leads[f"scope.{number}.clip"] = "ground"
    return leads


def output_nodes(wiring: Wiring, channel: str) -> tuple[str, ...]:
    """The live speaker terminals of a channel."""
    name = f"out.{channel}"
    return (f"{name}.pos", f"{name}.neg") if wiring.bridged else (name,)


def load_leads(wiring: Wiring, channel: str) -> dict[str, str]:
    """Where the two ends of a channel's load are."""
    hot, *cold = output_nodes(wiring, channel)
    return {f"load.{channel}.1": hot, f"load.{channel}.2": cold[0] if cold else "ground"}


def bench_text(
    name: str,
    wiring: Wiring,
    resources: Mapping[str, str],
    serials: Mapping[str, str],
    loads: Mapping[str, LoadLabel],
    unit: str | None = None,
    drivers: Mapping[str, str] | None = None,
    by_hand: Collection[str] = (),
    clean: bool = False,
    sound: Mapping[str, str] = {},
) -> str:
    """TOML text. ``resources`` names every instrument and ``control``; ``drivers`` those that do
    not go by the name ``generic-<key>``; ``by_hand`` those that hands set and read; ``clean`` that
    there is nothing that no data sheet tells; ``sound`` what a sound interface was found to be."""
    hands = {key for key in resources if key.partition("_")[0] in by_hand}
    lines = [*_lines(name, wiring, resources, serials, loads, unit, drivers or {}, hands)]
    if clean:
        lines += ["", "[dirt]", *(f'{key} = "0 {unit}"' for key, unit in DIRT.items())]
    if sound:
        lines += ["", "[sound]", *(f"{key} = {value}" for key, value in sound.items())]
    return "\n".join(lines) + "\n"


def _lines(
    name: str,
    wiring: Wiring,
    resources: Mapping[str, str],
    serials: Mapping[str, str],
    loads: Mapping[str, LoadLabel],
    unit: str | None,
    drivers: Mapping[str, str],
    by_hand: Collection[str],
) -> Iterator[str]:
    yield "# A simulated bench: its instruments are virtual and its readings are not measurements."
    yield f'name = "{name}"'
    if unit is not None:
        yield f'unit = "{unit}"'
    yield ""
    yield "[simulator]"
    yield f'control = "{resources["control"]}"'
    for key, calibrated in CALIBRATED.items():
        if key not in resources:
            continue
        if key in by_hand:
            yield ""
            yield f"[simulator.panel.{key}]"
            yield f'resource = "{resources[key]}"'
            yield f'driver = "{drivers.get(key, f"generic-{key}")}"'
        yield ""
        yield f"[instrument.{key}]"
        driver = drivers.get(key, f"generic-{key}")
        yield f'resource = "{"by hand" if key in by_hand else resources[key]}"'
        yield f'driver = "{driver}"'
        if key in serials:
            yield f'serial = "{serials[key]}"'
        if calibrated is not None and key in serials:
            yield f"calibrated = {calibrated}"
        if key == "scope":
            yield f"probe = {wiring.probe:g}"
    leads = fixed_leads(wiring)
    ends = {t: n for t, n in leads.items() if _SPLIT.match(t)}
    for terminal, node in leads.items():
        if terminal.partition(".")[0] not in resources or terminal in ends:
            continue
        yield ""
        yield "[[lead]]"
        yield f'from = "{terminal}"'
        mine = [n for t, n in ends.items() if t.startswith(f"{terminal}.")]
        if mine:
            nodes = ", ".join(f'"{n}"' for n in (node, *mine))
            yield f"to = [{nodes}]  # through a splitter"
        else:
            yield f'to = "{node}"'
    for channel, (ohm, tolerance, power_w) in loads.items():
        yield ""
        yield "[[load]]"
        yield f'name = "{channel}"'
        yield f'point = "out.{channel}"'
        yield f'resistance = "{ohm:g} Ω"'
        yield f'tolerance = "{100 * tolerance:g} %"'
        yield f'power = "{power_w:g} W"'
    for sensor in ("sink", "ambient", *(["probe"] if wiring.cases else [])):
        yield ""
        yield "[[sensor]]"
        yield f'name = "{sensor}"'
        yield f'point = "sensor.{sensor}"'
        yield 'kind = "Pt100"'
        yield 'class = "B"'
