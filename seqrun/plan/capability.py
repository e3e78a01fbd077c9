"""Whether the instruments of a bench have the commands, ranges, memory and rate for a step."""

from __future__ import annotations

from typing import TYPE_CHECKING

from seqrun.errors import BenchLacks, TooFewProbes
from seqrun.instruments.record import longest_record
from seqrun.plan import by_hand, sound
from seqrun.quantity import render

if TYPE_CHECKING:
    from seqrun.plan.needs import Needs, ScopeRecord
    from seqrun.plan.view import BenchView

_UNITS = {
    "dc_voltage": "V",
    "ac_voltage": "V",
    "dc_current": "A",
    "resistance_2w": "Ω",
    "resistance_4w": "Ω",
}


def check(view: BenchView, needs: Needs) -> None:
    """See that the bench has what a step asks of its instruments.

    Raises:
        BenchLacks: the first thing that it lacks.
    """
    for role in sorted(needs.roles):
        view.key(role)
    by_hand.check(view, needs)
    sound.check(view, needs)
    if "meter" in needs.roles:
        for function, value in (needs.meter or {"dc_voltage": None}).items():
            _function(view, function, value)
    if "generator" in needs.roles:
        for operation in sorted(needs.generator):
            _operation(view, operation)
    if "scope" in needs.roles and needs.record is not None:
        _record(view, needs.record)
    if "scope" in needs.roles:
        _probes(view, needs)


def _function(view: BenchView, function: str, value: float | None) -> None:
    key = view.key("meter")
    driver = view.drivers[key]
    words = function.replace("_", " ").replace("2w", "by two wires").replace("4w", "by four wires")
    operation = f"configure_{function}"
    wanted = f"[operation] {operation}" if driver.remote else f"[[accuracy]] of {function}"
    if not driver.can(operation):
        raise BenchLacks(
            f"the meter has no {'command for ' if driver.remote else ''}{words}",
            expected=f"{wanted} in its driver file '{driver.name}'",
            where=view.bench.name,
            hint="add it, if the meter can do it; else the steps that need it are left out",
        )
    ranges = [row.range for row in driver.rows.get(function, ()) if row.range is not None]
    if value is not None and ranges and abs(value) > max(ranges):
        unit = _UNITS[function]
        raise BenchLacks(
            f"the meter has no range of {words} that holds {render(value, unit, digits=3)}",
            expected=f"at most {render(max(ranges), unit, digits=3)}, its largest",
            where=view.bench.name,
        )


def _operation(view: BenchView, operation: str) -> None:
    driver = view.drivers[view.key("generator")]
    if not driver.can(operation):
        raise BenchLacks(
            f"the generator has no command for a {operation.replace('_', '-')} signal",
            expected=f"[operation] {operation} in its driver file '{driver.name}'",
            where=view.bench.name,
            hint="add it, if the generator can do it; else the steps that need it are left out",
        )


def _record(view: BenchView, record: ScopeRecord) -> None:
    key = view.key("scope")
    scope = view.drivers[key].scope
    if scope is None:
        return
    # As the steps do: the record that it has with all channels on, which share a memory or do not.
    longest = longest_record(scope, scope.channels)
    if record.points > longest:
        raise BenchLacks(
            f"the scope keeps {longest} points, and a record of {record.points} is needed",
            expected="a scope with more memory",
            where=view.bench.name,
        )
    driver = view.drivers[key]
    needed = record.rate_hz
    if driver.sound is not None and record.filtered_hz:
        needed = min(needed, record.filtered_hz)
    if needed > scope.max_rate:
        raise BenchLacks(
            f"the scope takes at most {render(scope.max_rate, 'Hz', digits=3)} samples a second, "
            f"and {render(needed, 'Hz', digits=3)} are needed",
            expected="a faster scope",
            where=view.bench.name,
        )
    probes = view.bench.instrument[key].probe or (1.0,)
    largest = max(scope.ranges) * max(probes) / 2.0 / (1.0 + scope.headroom)
    if record.peak_v > largest:
        raise BenchLacks(
            f"the scope shows peaks of {render(largest, 'V', digits=3)} at most, and "
            f"{render(record.peak_v, 'V', digits=3)} are to be seen",
            expected="a probe with more attenuation, named in the bench file (probe = 10)",
            where=view.bench.name,
        )


def _probes(view: BenchView, needs: Needs) -> None:
    """A step that looks at several places at once needs a probe for each of them."""
    scopes = {key for key, driver in view.drivers.items() if driver.role == "scope"}
    there: dict[str, str] = {}
    for hookup in needs.hookups:
        for terminal, node in hookup.leads:
            if terminal.partition(".")[0] not in scopes:
                continue
            if there.setdefault(terminal, node) != node:
                raise TooFewProbes(
                    f"the probe {terminal} would have to be on {there[terminal]} and on {node} "
                    "at once",
                    expected="a scope with a probe for each place that the step looks at",
                    where=view.bench.name,
                    hint="use a scope of more channels, or a bench file that leaves one free",
                )
