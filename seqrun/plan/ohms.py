"""How this bench reads the ohms of a load: by four wires, or by two and the ohms of the leads."""

from __future__ import annotations

import math
from dataclasses import dataclass

from seqrun.instruments.roles import MeterFunction
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView
from seqrun.quantity import render


@dataclass(frozen=True, slots=True)
class LoadOhms:
    """The way of reading a load.

    Args:
        function: of the meter.
        leads_ohm: half-width of what leads and contacts may add to a reading, Ω; 0 by four wires.
        taken_off_ohm: what the leads were measured to have, Ω; it is no longer in a reading.
    """

    function: MeterFunction
    leads_ohm: float = 0.0
    taken_off_ohm: float = 0.0

    def hookup(self, view: BenchView, point: str) -> Hookup:
        """The meter's leads across a point."""
        if self.function == "resistance_4w":
            return view.meter_four_wire(point)
        return view.meter_across(point)

    def standard_uncertainty(self, view: BenchView, ohms: float) -> float:
        """u of one reading of about so many Ω, from the files alone."""
        u = view.standard_uncertainty("meter", self.function, ohms)
        return math.hypot(u, self.leads_ohm / math.sqrt(3.0))

    @property
    def words(self) -> str:
        """What a reading by two wires holds beside the load; "" by four."""
        if self.function == "resistance_4w":
            return ""
        within = render(self.leads_ohm, "Ω")
        if self.taken_off_ohm:
            its = render(self.taken_off_ohm, "Ω")
            return f"by two wires, less the {its} of the leads, contacts within ± {within}"
        return f"by two wires, leads and contacts within ± {within}"


def load_ohms(view: BenchView) -> LoadOhms:
    """By four wires where the meter can; else by two, where its driver or the bench file says what
    the leads may add. A meter that can do neither is asked for four.

    Raises:
        BenchLacks: the bench has no meter.
    """
    key = view.key("meter")
    driver, leads = view.drivers[key], view.bench.instrument[key].leads
    if driver.can("configure_resistance_4w") or not driver.can("configure_resistance_2w"):
        return LoadOhms("resistance_4w")
    if leads is not None:
        return LoadOhms("resistance_2w", leads.tolerance, leads.resistance)
    allowance = driver.meter.lead_resistance if driver.meter is not None else 0.0
    # Without any word of the leads a reading would pretend to an accuracy that it has not.
    return LoadOhms("resistance_2w" if allowance else "resistance_4w", allowance)


def told(view: BenchView) -> str:
    """What a plan says of loads that are read by two wires; "" when they are not."""
    if not view.has("meter") or not (words := load_ohms(view).words):
        return ""
    key = view.key("meter")
    better = (
        ""
        if view.bench.instrument[key].leads is not None
        else "; better: what it reads with the tips held together, as leads = { resistance = …, "
        f"tolerance = … }} under [instrument.{key}] of the bench file"
    )
    return f"the meter has no four-wire ohms: loads are read {words}{better}"
