"""Other benches than the full one: what is missing, smaller or doubled, by name.

A variant changes which instruments stand on the bench and what they can do, as people's benches
differ; the unit on it, and every hidden error of what is left, stay those of the same seed.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from demo_sim.errors import DemoError
from demo_sim.instruments import specifications as spec

SMALL_MEMORY = 2_500


@dataclass(frozen=True, slots=True)
class Outfit:
    """What stands on a bench.

    Args:
        scope_bits, scope_memory: of the converter; longest record, points.
        single_supplies: two supplies of one output each in place of one of two.
        protection: the supply has protection of its own, and tells when it tripped and when its
            current limit holds.
        four_wire: the meter has sense terminals.
        splitter: a generator of one output, and a splitter to all inputs.
        missing: instruments that are not there. by_hand: those that virtual hands set and read at
            their front panels. switch: the relay matrix is in the bench file.
        dirty: with what no data sheet tells. clean: without, and the bench file says so. wide:
            healthy units differ as a shop sees them. sound: a sound interface plays generator and
            scope.
    """

    scope_bits: int = spec.SCOPE_BITS
    scope_memory: int = spec.SCOPE_MAX_POINTS
    single_supplies: bool = False
    protection: bool = True
    four_wire: bool = True
    splitter: bool = False
    missing: frozenset[str] = frozenset()
    by_hand: frozenset[str] = frozenset()
    switch: bool = False
    dirty: bool = False
    clean: bool = False
    sound: bool = False
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Variant:
    """One entry: name, what it is, and the change that it makes."""

    name: str
    summary: str
    change: Callable[[Outfit], Outfit]


def _without(key: str) -> Callable[[Outfit], Outfit]:
    return lambda outfit: replace(outfit, missing=outfit.missing | {key})


def _by_hand(key: str) -> Callable[[Outfit], Outfit]:
    return lambda outfit: replace(outfit, by_hand=outfit.by_hand | {key})


VARIANTS: tuple[Variant, ...] = (
    Variant(
        "small_memory",
        f"an 8-bit scope with a memory of {SMALL_MEMORY:,} points",
        lambda outfit: replace(outfit, scope_bits=8, scope_memory=SMALL_MEMORY),
    ),
    Variant(
        "two_supplies",
        "two supplies of one output each, one on either rail",
        lambda outfit: replace(outfit, single_supplies=True),
    ),
    Variant(
        "plain_supply",
        "a supply without protection of its own, which does not tell trip or current limit",
        lambda outfit: replace(outfit, protection=False),
    ),
    Variant(
        "two_wire_meter",
        "a meter without four-wire ohms",
        lambda outfit: replace(outfit, four_wire=False),
    ),
    Variant(
        "one_generator_output",
        "a generator of one output, with a splitter into all inputs",
        lambda outfit: replace(outfit, splitter=True),
    ),
    Variant(
        "dirty",
        "pick-up, thermal EMF, contact ohms, loads and ballasts that warm, slow heat",
        lambda outfit: replace(outfit, dirty=True),
    ),
    Variant(
        "clean",
        "none of that, and its bench file says so, which no real one can",
        lambda outfit: replace(outfit, clean=True, dirty=False),
    ),
    Variant(
        "wide",
        "a healthy unit from a population as wide as a shop sees",
        lambda outfit: replace(outfit, wide=True),
    ),
    Variant(
        "sound_card",
        "a sound interface in place of scope and generator",
        lambda outfit: replace(outfit, sound=True),
    ),
    Variant("switch", "a relay matrix moves the leads", lambda o: replace(o, switch=True)),
    *(
        Variant(f"no_{key}", f"no {key}", _without(key))
        for key in ("supply", "meter", "scope", "generator")
    ),
    *(
        Variant(f"{key}_by_hand", f"a {key} without a remote interface", _by_hand(key))
        for key in ("supply", "meter", "scope", "generator")
    ),
)


def outfit(names: Sequence[str], start: Outfit = Outfit()) -> Outfit:
    """The full bench with the named variants, in their order.

    Raises:
        DemoError: an unknown name, with the nearest known one.
    """
    known = {variant.name: variant for variant in VARIANTS}
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, 1, 0.0)
            raise DemoError(
                "no such variant of the simulated bench",
                found=name,
                expected=", ".join(known),
                hint=f"nearest known name: {near[0]}",
            )
        start = known[name].change(start)
    return start
