"""The parts of the page as HTML, each made anew from the scene; text from outside is escaped."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from markupsafe import Markup

from seqrun.errors import SeqrunError
from seqrun.live import drawings
from seqrun.live.assets import page
from seqrun.live.board import PutQuestion, Scene
from seqrun.live.drawings import DrawnLead
from seqrun.plan.context import Key
from seqrun.plan.leads import terminal_of
from seqrun.quantity import render
from seqrun.report.run.progress import clock
from seqrun.report.shared.verdicts import DISPOSITION_WORDS, LIVE, MARKS
from seqrun.runner.events import Near
from seqrun.runner.hands import LIVE_WARNING
from seqrun.runner.lead_drawing import ENDS
from seqrun.values import Verdict

if TYPE_CHECKING:
    from seqrun.plan.view import BenchView

#: the word in capitals that a terminal's prompt begins with
_HEAD = re.compile(r"^([A-Z][A-Z ]+[A-Z])(?: \([^)]*\))?  +")
HEADS = {
    "lead": "Put this lead on",
    "off": "Take this lead off",
    "set": "Set this",
    "read": "Read this",
    "keep": "Is that right?",
    "note": "Read this",
    "why": "Say why",
}
#: letters of a text that is still read at two metres on a screen of usual size, and at one
FAR, ARM = 110, 260
CLOSE = 0.8  # of the way to a trip
MOST = 8  # readings that are shown: of those against the unit, and of the newest others
_PREFIXES = {
    "V": ("mV", "V"),
    "A": ("µA", "mA", "A"),
    "Ω": ("mΩ", "Ω", "kΩ", "MΩ"),
    "Hz": ("Hz", "kHz"),
    "s": ("ms", "s"),
    "W": ("mW", "W"),
}


class Parts:
    """Makes the parts of the page; the same scene is made once for all pages.

    Args:
        view: the bench and the unit, for the drawing of the leads; without them it shows names.
    """

    def __init__(self, view: BenchView | None = None) -> None:
        self._view = view
        self._made: tuple[int, dict[str, str]] = (-1, {})

    def of(self, scene: Scene) -> dict[str, str]:
        """Each part by the id of the element that it belongs into."""
        version, parts = self._made
        if version != scene.version:
            parts = {name: make(scene) for name, make in self._makers()}
            self._made = (scene.version, parts)
        return parts

    def _makers(self) -> tuple[tuple[str, Callable[[Scene], str]], ...]:
        return (
            ("state", self._state),
            ("todo", self._todo),
            ("number", self._number),
            ("course", self._course),
            ("leads", self._leads),
            ("times", self._times),
            ("trips", self._trips),
            ("keys", self._keys),
            ("done", self._done),
            ("notes", self._notes),
        )

    def _state(self, scene: Scene) -> str:
        return page("state.html.j2", s=scene, power=power_words(scene), live=LIVE)

    def _todo(self, scene: Scene) -> str:
        put = scene.question
        if put is None:
            words = DISPOSITION_WORDS[scene.disposition] if scene.disposition else ""
            return page("idle.html.j2", s=scene, words=words, size=_size(scene.text))
        head, text = headed_text(put)
        lines = text.splitlines()
        return page(
            "question.html.j2",
            put=put,
            head=head,
            lines=lines,
            size="listed" if len(lines) > 2 else _size(text),
            warning=LIVE_WARNING if put.asked.live else "",
            keys=[key for key in put.asked.keys if key.key not in ("q", "?")],
            units=units_of(put),
            ranges=ranges_of(put),
        )

    def _number(self, scene: Scene) -> str:
        number = scene.number
        if number is None or scene.disposition is not None:
            return ""
        limit = _limit_words(scene)
        value = render(number.value, number.unit, digits=3) if number.unit else f"{number.value:g}"
        gauge = Markup(drawings.gauge(number, scene.limit))
        return page("number.html.j2", number=number, value=value, limit=limit, gauge=gauge)

    def _course(self, scene: Scene) -> str:
        if scene.number is None or scene.disposition is not None:
            return ""
        svg = drawings.course(scene.course, scene.number, scene.limit)
        if not svg:
            return ""
        words = drawings.course_words(scene.course, scene.number, scene.limit)
        return page("course.html.j2", svg=Markup(svg), words=words)

    def _leads(self, scene: Scene) -> str:
        wires = list(self._wires(scene))
        if not wires:
            return ""
        asked = any(wire.asked for wire in wires)
        return page("leads.html.j2", svg=Markup(drawings.leads(wires)), asked=asked)

    def _wires(self, scene: Scene) -> Iterator[DrawnLead]:
        there = dict(scene.bench.leads) if scene.bench is not None else {}
        asked = dict(scene.question.asked.leads) if scene.question is not None else {}
        if not there and self._view is not None:
            there = dict(self._view.fixed)
        if asked:
            keys = {terminal.partition(".")[0] for terminal in asked}
            near = {t: n for t, n in there.items() if t.partition(".")[0] in keys}
            near |= {t: n for t, n in there.items() if n in asked.values() and n != "ground"}
            there = near
        for terminal, node in asked.items():
            yield self._wire(terminal, node, True)
        for terminal, node in there.items():
            if terminal not in asked:
                yield self._wire(terminal, node, False)

    def _wire(self, terminal: str, node: str, asked: bool) -> DrawnLead:
        key, _, rest = terminal.partition(".")
        end, pole = rest, ""
        if self._view is not None:
            try:
                one = terminal_of(self._view, terminal)
            except SeqrunError:
                one = None
            if one is not None and one.what in ("meter", "supply"):
                end, pole = ENDS.get(one.end, (rest, ""))
                end = f"output {one.number} {end}" if one.what == "supply" else end
            elif one is not None and one.what == "tip":
                end, pole = f"probe tip {one.number}", "hot"
            elif one is not None and one.what == "earth":
                end, pole = f"{rest.replace('.', ' ')} (earth)", "cold"
            elif one is not None and one.what == "output":
                end, pole = f"output {one.number}", "hot"
        return DrawnLead(key, end, node, asked, pole)

    def _times(self, scene: Scene) -> str:
        if scene.steps == 0:
            return ""
        step = scene.step_left_s
        total = scene.bench_s + scene.left_s
        share = scene.bench_s / total if total > 0.0 else 0.0
        if scene.disposition is not None:
            share = 1.0
        return page(
            "times.html.j2",
            s=scene,
            run=clock(scene.left_s),
            step="" if step is None else clock(step),
            spent=clock(scene.bench_s),
            bar=Markup(drawings.share_bar(share, close=False)),
        )

    def _trips(self, scene: Scene) -> str:
        near = scene.bench.trips if scene.bench is not None else ()
        rows = [
            (words, Markup(drawings.share_bar(share, close=share >= CLOSE)), share >= CLOSE)
            for words, share in map(nearness, near)
        ]
        return page("trips.html.j2", rows=rows, watched=bool(near))

    def _keys(self, scene: Scene) -> str:
        if not scene.keys:
            return ""
        parts = [key for key in scene.keys if key.key.isdigit()]
        actions = [key for key in scene.keys if not key.key.isdigit()]
        return page("keys.html.j2", parts=parts, actions=actions, written=key_name)

    def _done(self, scene: Scene) -> str:
        known = [(clock(done.bench_s), row) for done in scene.done for row in done.rows]
        known = [(when, row) for when, row in known if row.verdict is not Verdict.NONE]
        against = [one for one in known if one[1].verdict is not Verdict.PASS][-MOST:]
        newest = [one for one in known if one not in against][-MOST:]
        rows = [
            (when, row, MARKS[row.verdict])
            for part in (against, newest)
            for when, row in part[::-1]
        ]
        return page("done.html.j2", rows=rows, counted=scene.counted)

    def _notes(self, scene: Scene) -> str:
        return page("notes.html.j2", notes=list(reversed(scene.notes)))


def power_words(scene: Scene) -> tuple[str, str]:
    """How the unit is, as a class of the style sheet and in words."""
    if scene.safe:
        if scene.unconfirmed:
            return "unsure", "Safe state NOT confirmed"
        return "off", "Safe state confirmed"
    now = scene.bench
    if now is None:
        return "off", "Nothing is switched on"
    if now.live:
        return "live", "The unit is powered"
    if now.charged:
        return "live", "The unit may still be charged"
    return "off", "The unit has no power"


def headed_text(put: PutQuestion) -> tuple[str, str]:
    """A question's text without the capitals that a terminal's line begins with, and its head."""
    text = put.asked.text
    found = _HEAD.match(text)
    head = HEADS[put.asked.kind]
    if found is None:
        return head, text
    if put.asked.kind in ("note", "keep"):
        head = found[1].capitalize()
    return head, text[found.end() :]


def units_of(put: PutQuestion) -> tuple[str, ...]:
    """The units that a number may be typed in, the base unit among them."""
    question = put.asked.question
    if question is None or not put.asked.typed:
        return ()
    return _PREFIXES.get(question.unit, (question.unit,))


def ranges_of(put: PutQuestion) -> tuple[str, ...]:
    """The ranges that it may have been read on, in words."""
    question = put.asked.question
    if question is None or not put.asked.typed:
        return ()
    return tuple(question.shown(one) for one in question.ranges)


def nearness(near: Near) -> tuple[str, float]:
    """A trip in words, and how much of the way to it is gone."""
    worst = max(near.values, key=abs)
    name = near.quantity.replace("_", " ")
    shown = render(worst, near.unit, digits=3)
    if near.above is not None:
        share = worst / near.above if near.above > 0.0 else float(worst > near.above)
        return f"{name} {shown}, trips above {render(near.above, near.unit)}: {near.why}", share
    low = near.below if near.below is not None else 0.0
    least = min(near.values)
    share = low / least if least > 0.0 else 1.0
    shown = render(least, near.unit, digits=3)
    return f"{name} {shown}, trips below {render(low, near.unit)}: {near.why}", share


def key_name(key: Key) -> str:
    """How a key is written."""
    return {" ": "space", "": "Enter"}.get(key.key, key.key)


def _limit_words(scene: Scene) -> str:
    limit, number = scene.limit, scene.number
    if limit is None or number is None:
        return ""
    low, high = limit.low, limit.high
    if low is not None and high is not None:
        return f"between {render(low, number.unit)} and {render(high, number.unit)}"
    if high is not None:
        return f"at most {render(high, number.unit)}"
    return f"at least {render(low, number.unit)}" if low is not None else ""


def _size(text: str) -> str:
    """How large a text may be."""
    return "far" if len(text) <= FAR else "arm" if len(text) <= ARM else "near"
