"""One run from files to record: preflight, the engine, the safe state, the disposition."""

from __future__ import annotations

import time
import traceback
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from seqrun._version import __version__
from seqrun.errors import Interrupted, SeqrunError, Tripped
from seqrun.instruments.by_hand import GeneratorByHand, SupplyByHand
from seqrun.instruments.switch import DrivenSwitch
from seqrun.judge import dispose, held, weighed
from seqrun.judge.findings import Findings
from seqrun.plan.actions import Plan
from seqrun.plan.leaving_out import lines
from seqrun.plan.outlook import limits_from
from seqrun.plan.standing import cautions_screen, screen, standing, standing_leads
from seqrun.plan.view import BenchView
from seqrun.record import MessageFile, RunInfo, RunRecord, Store
from seqrun.record.answer import HELD_FOR
from seqrun.record.table import LOCK_TIMEOUT_S, Patience
from seqrun.runner.cooled import Last, nothing_on_record
from seqrun.runner.engine import Engine
from seqrun.runner.events import Guarded, Watcher
from seqrun.runner.findings import findings_at_end
from seqrun.runner.hands import Hands
from seqrun.runner.last_power import last_power
from seqrun.runner.left import bring_down_first, left_on_record
from seqrun.runner.marker import Marker, NoMarker
from seqrun.runner.marker import told as left_by
from seqrun.runner.opening import BenchFiles, OpenBench, VirtualHands, WallClock, open_bench
from seqrun.runner.papers import against_release, levels_of_another_meter
from seqrun.runner.rehearsal import PacedClock, Rehearsal, refuse_to_rehearse
from seqrun.runner.resuming import Disagrees, Resumption
from seqrun.runner.safe import SafeReport, make_safe
from seqrun.runner.signals import Interrupts
from seqrun.runner.switching import SwitchHands
from seqrun.runner.trips import arm
from seqrun.values import Disposition, Judged

#: of a rail's rated voltage: from rail to rail, with the mains and an unloaded supply at their most
LIKELY = 2.6
#: seconds that a screen gets to show the safe state before the run is judged
SHOWN_S = 1.0


@dataclass(frozen=True)
class Options:
    """What the person chose for this run."""

    serial: str
    operator: str
    results: Path
    #: sequence, bench, unit sheet, faults and seed as they were named, to ask for them again
    asked: Mapping[str, object] = field(default_factory=dict)
    #: the run that it goes on with, and what it keeps of it
    resumed: Resumption | None = None


@dataclass(frozen=True)
class Outcome:
    """What a run came to. ``failure`` is the error that ended it, when one did."""

    run_id: str
    folder: Path
    disposition: Disposition
    reason: str
    judged: tuple[Judged, ...]
    safe: SafeReport
    bench_s: float
    wall_s: float
    simulated: bool
    failure: BaseException | None
    findings: Findings | None = None


class EarlyLog:
    """Messages from before the record exists, kept for it.

    Opening the instruments comes first: a bench that does not answer leaves no record behind.
    """

    def __init__(self) -> None:
        self._waiting: list[tuple[str, str, str]] = []

    def __call__(self, instrument: str, direction: str, text: str) -> None:
        self._waiting.append((instrument, direction, text))

    def hand_on(self, log: MessageFile) -> None:
        """Into the run's own log."""
        for message in self._waiting:
            log(*message)
        self._waiting.clear()


@dataclass
class _Ending:
    """How the engine came to stop before its end."""

    reason: str | None = None
    trip: str | None = None
    failure: BaseException | None = None
    safe: SafeReport = field(default_factory=SafeReport)


def execute(
    plan: Plan,
    files: BenchFiles,
    hands: Hands | None,
    watcher: Watcher,
    options: Options,
    interrupts: Interrupts,
) -> Outcome:
    """Run a plan and leave a record.

    Args:
        hands: who moves the leads; None: the simulated bench's own virtual hands.

    Raises:
        SeqrunError: what is wrong before anything is energised (a silent or wrong instrument, a
            results folder that cannot be written). From then on every way out is an outcome.
    """
    wall = time.monotonic()
    with interrupts.installed():
        log = EarlyLog()
        marker = Marker(files.view.bench) if files.demo is None else NoMarker()
        left = marker.claim()  # before anything is said to an instrument that another run uses
        try:
            store = Store(options.results)
            told = [left_by(left)] if left else left_on_record(store, files)
            opened = open_bench(files, log)
            try:
                if options.resumed is not None:
                    options.resumed.check_instruments(opened)
                # Nothing is on yet, but whoever waits for a lock may still end it.
                patience = Patience(LOCK_TIMEOUT_S, interrupts.check)
                record = store.start(_info(plan, opened, options), patience=patience)
                record.facts({"asked": options.asked})
                if options.resumed is not None:
                    record.facts({"resumed": options.resumed.facts()})
                log.hand_on(record.message_log())
                opened.listen(record.message_log())
                marker.begin(record.run_id, options.results)
                last: Last = partial(last_power, store, options.serial, record.run_id)
                if files.demo is not None:  # its unit was made for this run
                    last = nothing_on_record
                return _run(
                    plan, opened, hands, Guarded(watcher), record, interrupts, wall, marker, told,
                    options.resumed, last,
                )  # fmt: skip
            finally:
                opened.close()
        finally:
            marker.end(safe=False)


def _info(plan: Plan, opened: OpenBench, options: Options) -> RunInfo:
    return RunInfo(
        serial=options.serial,
        model=plan.view.unit.model,
        sequence=plan.sequence.path.stem or plan.sequence.title,
        revision=plan.sequence.revision,
        bench=plan.view.bench.name,
        operator=options.operator,
        simulated=opened.simulated,
        version=__version__,
    )


def _run(
    plan: Plan,
    opened: OpenBench,
    hands: Hands | None,
    watcher: Guarded,
    record: RunRecord,
    interrupts: Interrupts,
    wall: float,
    marker: Marker,
    left: Sequence[str],
    resumed: Resumption | None,
    last: Last,
) -> Outcome:
    if isinstance(opened.clock, WallClock):
        interrupts.wake = opened.clock.wake
    if hands is None:
        if opened.control is None:
            raise AssertionError("no hands were given and the bench has none of its own")
        hands = VirtualHands(opened.control, opened.open_panel)
    if isinstance(hands, Rehearsal):
        if opened.control is None:
            raise refuse_to_rehearse()
        opened.clock = paced = PacedClock(opened.clock, interrupts.check)
        hands.on(VirtualHands(opened.control, opened.open_panel), paced)
    switches = [i for i in opened.instruments.values() if isinstance(i, DrivenSwitch)]
    for switch in switches:
        hands = SwitchHands(switch, hands)

    def check() -> None:
        interrupts.check()
        watcher.check()

    engine = Engine(plan, opened, hands, record, watcher, check, resumed, last)
    opened.desk.staff(hands, opened.clock.now)
    opened.desk.likely_v = LIKELY * plan.view.unit.rail_voltage
    interrupts.watch = engine.watch
    engine.pulse.start()
    ending = _Ending()
    try:
        watcher.started(record.run_id, len(plan.actions), plan.seconds(), opened.simulated)
        if marker.blind:
            engine.say(
                "this bench could not be marked as in use, so a second run of it, or one that is "
                f"cut off, would not be noticed: {marker.blind}"
            )
        bring_down_first(engine, left)
        _preflight(engine, opened, record)
        engine.do_all()
    except Tripped as trip:
        ending.reason, ending.trip = _trip_line(trip), str(trip)
    except Interrupted as end:
        ending.reason = end.found
    except Disagrees as error:
        engine.fact("resumed", "disagreed", error.found)
        ending.reason, ending.failure = error.found, error
    except SeqrunError as error:
        ending.reason, ending.failure = str(error).splitlines()[0], error
    except BaseException as error:
        # A mistake of ours: the trace goes on record, and the unit is made safe all the same.
        ending.reason, ending.failure = f"{type(error).__name__}: {error}", error
        with suppress(SeqrunError):  # a disk that takes nothing: the reason is told all the same
            record.keep_text("failure.txt", traceback.format_exc())
        engine.notes.append("an error in seqrun itself; failure.txt in the run's folder tells it")
    finally:
        interrupts.closing = True
        if isinstance(opened.clock, WallClock):
            opened.clock.calm()
        unread = engine.unread_rails()
        seen = plan.view.by_hand("supply") and not engine.charged
        rails = (
            []
            if seen
            else [output for rail, output in plan.view.fed_rails.items() if rail not in unread]
        )
        ending.safe = make_safe(opened.instruments, opened.clock, rails)
        engine.was_there()
        engine.pulse.stop()
        ending.safe.by_hand(own_mains=engine.own_mains, unread=unread)
        watcher.safe(ending.safe.confirmed, ending.safe.unconfirmed)
        for line in ending.safe.sent:
            watcher.note(line)
        marker.end(safe=ending.safe.complete)
        watcher.catch_up(SHOWN_S)
    if ending.reason is None and interrupts.arrived:
        # It came after the last step or while the unit was being made safe.
        ending.reason = interrupts.reason
    if ending.reason is None and watcher.lost:
        ending.reason = watcher.reason
    return _finish(engine, opened, record, watcher, ending, wall)


def _trip_line(trip: Tripped) -> str:
    where = "" if trip.where in (None, "trip") else f"{trip.where}: "
    return f"tripped: {where}{trip.found}"


def _accuracy_from(view: BenchView, key: str) -> str:
    """Where an instrument's accuracy figures come from, for the record."""
    driver, entry = view.drivers[key], view.bench.instrument[key]
    said = str(driver.data_sheet) if driver.data_sheet is not None else driver.accuracy_of or ""
    if driver.verified:
        return said
    if entry.accuracy_checked:
        return (
            f"{said or 'driver file'}; compared with the data sheet by "
            f"{entry.accuracy_checked_by}, {entry.accuracy_checked_on}"
        )
    return f"unverified{f' ({said})' if said else ''}"


def _preflight(engine: Engine, opened: OpenBench, record: RunRecord) -> None:
    """Outputs off, files kept, facts down, cautions shown, trips armed: before any power."""
    plan, view = engine.plan, engine.view
    for one in opened.by_key.values():
        if isinstance(one, SupplyByHand | GeneratorByHand):
            one.switch_off_first()
        else:
            one.make_safe()
    for file in (plan.sequence, view.unit, *view.drivers.values()):
        if file.path.is_file():
            record.keep(file.path)
    record.keep_text(f"{view.bench.path.stem or 'bench'}.toml", view.bench.text)
    record.facts(
        {
            "sequence_title": plan.sequence.title,
            "releases": plan.sequence.releases,
            "decision": plan.sequence.decision,
            "cautions": [*plan.sequence.cautions, *view.unit.cautions],
            "unit": view.unit.told(),
            "equipment": [
                {
                    "key": key,
                    "role": view.drivers[key].role,
                    "identity": instrument.identity,
                    "driver": view.bench.instrument[key].driver,
                    "resource": view.bench.instrument[key].resource,
                    "calibrated": view.bench.instrument[key].calibrated,
                    "calibration_due": view.bench.instrument[key].calibration_due,
                    "certificate": view.bench.instrument[key].certificate,
                    "accuracy_from": _accuracy_from(view, key),
                    "by_hand": view.bench.instrument[key].by_hand,
                }
                for key, instrument in opened.by_key.items()
            ],
            "plan": {
                "steps": [action.id for action in plan.actions],
                "warnings": plan.warnings,
                "limits_from": limits_from(plan),
                "left_out": lines(plan.left_out),
                "standing_leads": [one.words for one in standing(plan)],
            },
        }
    )
    engine.notes += plan.warnings
    of_meters = [opened.by_key[key].identity for key in view.keys("meter") if key in opened.by_key]
    for line in levels_of_another_meter(view.bench, of_meters):
        engine.watcher.note(line)
        engine.notes.append(line)
    against = against_release(view.bench, view.drivers, datetime.now(UTC).date())
    for line in against:
        if line not in " ".join(plan.warnings):
            engine.watcher.note(line)
            engine.notes.append(line)
    if plan.sequence.releases:
        engine.against += against
    if view.by_hand("supply"):
        engine.against.append(
            "the supply is by hand: its protection, its limit and its being off are not read back"
        )
    if cautions := cautions_screen(plan):
        engine.hands.acknowledge(cautions, "read")
    if leads := screen(plan):
        engine.hands.acknowledge(leads, leads=standing_leads(plan))
    engine.trips = arm(plan.sequence.trip, engine)


def _finish(
    engine: Engine,
    opened: OpenBench,
    record: RunRecord,
    watcher: Watcher,
    ending: _Ending,
    wall: float,
) -> Outcome:
    safe = ending.safe
    if engine.resumed is not None:
        engine.against += engine.resumed.against(engine.judged)
    disposition, reason = dispose(
        engine.judged,
        engine.plan.sequence.decision,
        ending.reason,
        engine.unreached,
        engine.plan.stood_in,
        engine.plan.shown_no_access,
    )
    if not safe.complete:
        reason += "; safe state not confirmed: " + "; ".join(safe.unconfirmed)
        # A unit that could not be shown to be off and discharged is not released by anybody.
        if disposition is Disposition.ACCEPT:
            disposition = Disposition.HOLD
    findings, blind = findings_at_end(engine.judged, record.info.sequence, engine.view.unit, reason)
    disposition, reason = held(disposition, reason, engine.against)
    before, met = disposition, reason
    disposition, reason = _with_findings(engine, disposition, reason, findings, blind)
    held_for = None
    if before is Disposition.ACCEPT and findings is not None and findings.faulty:
        first = findings.causes[0]
        held_for = {"cause": first.id, "title": first.title, "reason": met}
    bench_s = engine.elapsed
    wall_s = time.monotonic() - wall
    facts = {
        **engine.facts,
        "reached": [a.id for a in engine.plan.actions if a.id in engine.reached],
        "against": engine.against,
        "trip": ending.trip,
        "hookups": engine.hookups_made,
        "findings": findings,
        HELD_FOR: held_for,
        "notes": engine.notes,
        "safe": {"confirmed": safe.confirmed, "unconfirmed": safe.unconfirmed},
        "virtual_time_s" if opened.simulated else "bench_time_s": bench_s,
        "wall_time_s": wall_s,
    }
    failure = ending.failure
    try:
        record.facts(facts)
        record.finish(disposition, reason)
    except SeqrunError as error:  # the disk is full, say: what is not on record is no accept
        failure = failure or error
        reason = f"the record is not whole: {error.found}; {reason}"
        if disposition is Disposition.ACCEPT:
            disposition = Disposition.HOLD
    watcher.ended(disposition, reason, bench_s, wall_s)
    return Outcome(
        record.run_id,
        record.folder,
        disposition,
        reason,
        tuple(engine.judged),
        safe,
        bench_s,
        wall_s,
        opened.simulated,
        failure,
        findings,
    )


def _with_findings(
    engine: Engine, disposition: Disposition, reason: str, findings: Findings | None, blind: str
) -> tuple[Disposition, str]:
    """The disposition once the findings have been heard; where they could not be weighed, an
    accept that would release the unit is a hold."""
    if blind:
        told = f"the findings could not be weighed: {blind}"
        engine.notes.append(told)
        releases = engine.plan.sequence.releases
        return held(disposition, reason, [told] if releases else [])
    if findings is None:
        return disposition, reason
    of_bench = findings.bench_mistake is not None
    return weighed(disposition, reason, findings.named, of_bench=of_bench)
