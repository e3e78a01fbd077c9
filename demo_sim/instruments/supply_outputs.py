"""The power part of the virtual supply: programming, slew, protection that latches, read-back.

An output is programmed with a hidden error within the data sheet, rises no faster than its slew
rate, and is watched by its own protection: passing the over-voltage or over-current level takes
every output down at once, and they stay down until the protection is cleared.
"""

from __future__ import annotations

import math
import operator
from dataclasses import dataclass

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.hidden import HiddenError, HiddenErrors
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.ports import OutputSetting, SupplyState

SLEW_STEP_S = 0.002
PROGRAM_S = 0.005
READ_S = 0.020  # read-back averages one line cycle
# The over-current comparator waits this long, so that charging a reservoir does not trip it.
OVER_CURRENT_DELAY_S = 0.010
# A comparator never sleeps. What creeps is looked at this often, and more often near a level.
LOOK_S, LOOK_CLOSELY_S = 5.0, 0.5
LONGEST_LOOK_S = 300.0  # where nothing moves at all
NEAR_LEVEL = 0.8


@dataclass(slots=True)
class Output:
    """One output as it is set. Volts and amperes as the operator sees them."""

    volts: float = 0.0
    amperes: float = 0.05
    over_volts: float = spec.SUPPLY_VOLTS * spec.SUPPLY_OVERRANGE
    over_amperes: float = spec.SUPPLY_AMPERES * spec.SUPPLY_OVERRANGE
    over_volts_armed: bool = True
    over_amperes_armed: bool = True
    over_volts_tripped: bool = False
    over_amperes_tripped: bool = False
    present: float = 0.0  # where the slew has got to
    over_since: float = math.inf  # when the current was first seen above its level


class SupplyOutputs:
    """Outputs that are switched together, counted from 1; ``protected`` ones watch themselves."""

    def __init__(
        self,
        world: Surroundings,
        key: str = "supply",
        outputs: int = spec.SUPPLY_OUTPUTS,
        protected: bool = True,
    ) -> None:
        self._world = world
        self._key = key
        self._errors = HiddenErrors(world, key)
        self._drawn: dict[tuple[str, int], HiddenError] = {}
        # What was seen when all was well, when that was, and the patience then.
        self._quiet: tuple[list[SupplyState], float, float] = ([], 0.0, 0.0)
        self._noise = world.rng(f"{key}.noise")
        self.on = False
        self._protected = protected
        self._outputs: dict[int, Output] = {}
        self.numbers = range(1, outputs + 1)
        self.reset()
        world.watch(self._look)

    def __getitem__(self, number: int) -> Output:
        return self._outputs[number]

    def reset(self) -> None:
        """Outputs off, settings as after power-on."""
        self.on = False
        for n in self.numbers:
            self._outputs[n] = Output(
                over_volts_armed=self._protected, over_amperes_armed=self._protected
            )
        self._drive()

    def set_volts(self, number: int, volts: float) -> None:
        self[number].volts = volts
        self._settle()

    def set_amperes(self, number: int, amperes: float) -> None:
        self[number].amperes = amperes
        self._settle()

    def switch(self, on: bool) -> None:
        """All outputs together; a tripped protection keeps them off."""
        self.on = on and not self.tripped()
        if not self.on:
            for n in self.numbers:
                self[n].present = 0.0
        self._settle()

    def tripped(self) -> bool:
        return any(self[n].over_volts_tripped or self[n].over_amperes_tripped for n in self.numbers)

    def clear_protection(self, volts: bool = True, amperes: bool = True) -> None:
        """Forget trips; the outputs stay off until they are switched on again."""
        for n in self.numbers:
            if volts:
                self[n].over_volts_tripped = False
            if amperes:
                self[n].over_amperes_tripped = False

    def read_volts(self, number: int) -> float:
        self._world.advance(READ_S)
        volts = self._world.supply_state(self._key, number).volts
        return self._shown(
            number,
            "readback_voltage",
            volts,
            spec.SUPPLY_READBACK_NOISE_V,
            spec.SUPPLY_VOLT_DIGIT,
        )

    def read_amperes(self, number: int) -> float:
        self._world.advance(READ_S)
        amperes = self._world.supply_state(self._key, number).amps
        return self._shown(
            number,
            "readback_current",
            amperes,
            spec.SUPPLY_READBACK_NOISE_A,
            spec.SUPPLY_AMPERE_DIGIT,
        )

    def constant_current(self, number: int) -> bool:
        return self.on and self._world.supply_state(self._key, number).constant_current

    def watch(self) -> None:
        """Let the protection comparators look at a level that was changed."""
        self._quiet = ([], 0.0, 0.0)
        self._world.look()

    def _look(self, now: float) -> float:
        """What the protection comparators do at bench time ``now``; the world calls it as time
        passes. Within how many seconds they have to look again."""
        if not self.on:
            return math.inf
        key = self._key
        states = [self._world.supply_state(key, n) for n in self.numbers]
        seen, since, patience = self._quiet
        if len(seen) == len(states) and all(map(operator.is_, seen, states)):
            # What has not moved for so long will not move much in as long again.
            return min(LONGEST_LOOK_S, max(patience, now - since))
        patience, over = LOOK_S, False
        for n, state in zip(self.numbers, states, strict=True):
            output = self[n]
            over_volts = self._actual(n, "protection_voltage", output.over_volts)
            over_amperes = self._actual(n, "protection_current", output.over_amperes)
            if output.over_volts_armed and state.volts > over_volts:
                output.over_volts_tripped = True
            if output.over_amperes_armed and state.amps > over_amperes:
                output.over_since = min(output.over_since, now)
                left = output.over_since + OVER_CURRENT_DELAY_S - now
                output.over_amperes_tripped = left <= 1e-9
                patience, over = min(patience, left), True
            else:
                output.over_since = math.inf
                if state.amps > NEAR_LEVEL * over_amperes:
                    patience = min(patience, LOOK_CLOSELY_S)
        self._quiet = ([] if over else states, now, patience)
        if self.tripped():
            self.on = False
            for n in self.numbers:
                self[n].present = 0.0
                self[n].over_since = math.inf
            self._drive()
            return math.inf
        return patience

    def _actual(self, number: int, function: str, value: float) -> float:
        """What comes out for what was set: the hidden programming error, never below zero."""
        return max(0.0, self._error(number, function).apply(value))

    def _error(self, number: int, function: str) -> HiddenError:
        error = self._drawn.get((function, number))
        if error is None:
            error = self._errors.of(spec.accuracy("supply", function), str(number))
            self._drawn[function, number] = error
        return error

    def _shown(self, number: int, function: str, value: float, noise: float, digit: float) -> float:
        shown = self._error(number, function).apply(value) + float(self._noise.normal(0.0, noise))
        return round(shown / digit) * digit

    def _settle(self) -> None:
        """Program, then slew to the new voltages while time passes."""
        self._drive()
        self._world.advance(PROGRAM_S)
        step = spec.SUPPLY_SLEW_V_PER_S * SLEW_STEP_S
        while self.on:
            moving = [n for n in self.numbers if self[n].present != self[n].volts]
            if not moving:
                break
            for n in moving:
                to_go = self[n].volts - self[n].present
                self[n].present = (
                    self[n].volts
                    if abs(to_go) <= step
                    else self[n].present + math.copysign(step, to_go)
                )
            self._drive()
            self._world.advance(SLEW_STEP_S)

    def _drive(self) -> None:
        for n in self.numbers:
            output = self[n]
            # At zero the programming amplifier's offset cannot pull the output below zero.
            volts = self._actual(n, "program_voltage", output.present) if self.on else 0.0
            self._world.set_supply(
                self._key,
                n,
                OutputSetting(
                    volts=volts,
                    limit_a=self._actual(n, "program_current", output.amperes),
                    on=self.on,
                    ripple_v_rms=spec.SUPPLY_RIPPLE_V_RMS,
                    source_ohm=spec.SUPPLY_SOURCE_OHM,
                ),
            )
