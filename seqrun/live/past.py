"""Finished reports and cases in a browser: read, never written.

What a page may name is looked up in the record: a run by its id, a unit by its serial, a file by
its name in the folder of that run. A path that is none of those leads nowhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from seqrun.case.stay import Case, case_of
from seqrun.errors import SeqrunError
from seqrun.files.command import command
from seqrun.live.access import Door
from seqrun.live.assets import page
from seqrun.live.photographing import shown
from seqrun.live.requests import REPORT_POLICY, Endpoint, entrance, file, guarded, headed, refused
from seqrun.record import RunData, RunRow, Store
from seqrun.record.cases import Cases
from seqrun.record.photos import photo_file
from seqrun.record.places import TRACES, run_folder
from seqrun.report.run.playing import gain_words

NEWEST = 100  # runs on the first page
#: files of a run's folder that a browser may show; anything else is plain text
_TYPES = {
    ".wav": "audio/wav",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".json": "application/json",
}


class Past:
    """The pages about one results folder."""

    def __init__(self, results: Path) -> None:
        self._results = results

    def app(self, door: Door) -> Starlette:
        """The application, for those whom the door lets in; it takes nothing but GET."""
        return Starlette(
            routes=[
                Route("/", entrance(door, _read(self._index)), methods=["GET"]),
                Route("/static/{name}", file, methods=["GET"]),
                Route("/photos/{name}", guarded(door, _read(self._photo)), methods=["GET"]),
                Route("/units/{serial:path}", guarded(door, _read(self._unit)), methods=["GET"]),
                Route("/runs/{run}", guarded(door, _read(self._onward)), methods=["GET"]),
                Route("/runs/{run}/", guarded(door, _read(self._run)), methods=["GET"]),
                Route("/runs/{run}/{name:path}", guarded(door, _read(self._file)), methods=["GET"]),
            ]
        )

    def _runs(self) -> list[RunRow]:
        return Store(self._results).runs()

    def _index(self, request: Request) -> Response:
        runs = self._runs()
        serials = {run.serial for run in runs} | set(Cases(Store(self._results)).serials())
        listed = [_linked(run) for run in runs[::-1][:NEWEST]]
        units = [(serial, f"/units/{quote(serial, safe='')}") for serial in sorted(serials)]
        told = page("past.html.j2", runs=listed, units=units, count=len(runs), serial="")
        return headed(HTMLResponse(told))

    def _unit(self, request: Request) -> Response:
        serial = request.path_params["serial"]
        runs = [run for run in self._runs() if run.serial == serial]
        if not runs and serial not in Cases(Store(self._results)).serials():
            return refused("There is no such unit on record.", 404)
        case = case_of(self._results, serial)
        told = page(
            "past.html.j2",
            runs=[_linked(run) for run in runs[::-1]],
            units=(),
            count=len(runs),
            serial=serial,
            lines=list(_case(case)),
            photos=shown(case.photos),
            sounds={run.run.run_id: _sounds(run) for run in case.runs},
        )
        return headed(HTMLResponse(told))

    def _photo(self, request: Request) -> Response:
        found = photo_file(self._results, request.path_params["name"])
        if found is None:
            return refused("There is no such photograph on record.", 404)
        return headed(FileResponse(found, media_type="image/jpeg"))

    def _known(self, request: Request) -> RunRow | None:
        wanted = request.path_params["run"]
        return next((run for run in self._runs() if run.run_id == wanted), None)

    def _onward(self, request: Request) -> Response:
        run = self._known(request)
        if run is None:
            return refused("There is no such run on record.", 404)
        return headed(RedirectResponse(f"/runs/{quote(run.run_id, safe='')}/", 307))

    def _run(self, request: Request) -> Response:
        from seqrun.record import load_run
        from seqrun.report.run.page import render_page

        run = self._known(request)
        if run is None:
            return refused("There is no such run on record.", 404)
        text = render_page(load_run(self._results, run.run_id))
        return headed(HTMLResponse(text), REPORT_POLICY)

    def _file(self, request: Request) -> Response:
        run = self._known(request)
        name = request.path_params["name"]
        found = None
        if run is not None:
            folder = run_folder(self._results, run.run_id)
            found = _files(folder).get(name)
        if found is None:
            return refused("There is no such file of that run.", 404)
        kind = _TYPES.get(found.suffix.lower(), "text/plain; charset=utf-8")
        return headed(FileResponse(found, media_type=kind))


def _files(folder: Path) -> dict[str, Path]:
    """The files in a run's folder and in those within it, by their path from there; a link leads
    elsewhere, and is none."""
    found: dict[str, Path] = {}
    for one in _listed(folder):
        if one.is_dir():
            found |= {f"{one.name}/{inner.name}": inner for inner in _listed(one)}
        else:
            found[one.name] = one
    return {name: path for name, path in found.items() if path.is_file()}


def _listed(folder: Path) -> list[Path]:
    if folder.is_symlink() or not folder.is_dir():
        return []
    return [one for one in folder.iterdir() if not one.is_symlink()]


def _linked(run: RunRow) -> tuple[RunRow, str]:
    return run, f"/runs/{quote(run.run_id, safe='')}/"


def _sounds(run: RunData) -> list[tuple[str, str, str]]:
    """What was heard in a run: name, address among the pages, and gain in words."""
    folder = f"/runs/{quote(run.run.run_id, safe='')}/{TRACES}"
    return [
        (_heard(path.stem), f"{folder}/{quote(path.name)}", gain_words(run.facts, path.stem))
        for path in run.sounds
    ]


def _heard(stem: str) -> str:
    """The step that a sound is of, without the kind of its trace: "noise-noise.left"."""
    return stem.partition("-")[2] or stem


def _case(case: Case) -> Iterator[str]:
    """The unit's case in the words of ``seqrun unit``; costs are for that."""
    from seqrun.case.onward import onward
    from seqrun.case.weighing import weighed
    from seqrun.report.unit.words import case_lines

    found = weighed(case)
    line = command("unit", case.serial, "--costs", "FILE", results=case.results)
    costs = f"'{line}' weighs repair against salvage"
    yield from case_lines(case, found, None, costs, onward(case, found))


def _read(made: Callable[[Request], Response]) -> Endpoint:
    """A page that is made of the record, in a thread; a record that cannot be read says so."""

    async def wrapped(request: Request) -> Response:
        try:
            return await run_in_threadpool(made, request)
        except SeqrunError as error:
            return refused(str(error), 500)

    return wrapped
