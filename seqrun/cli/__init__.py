"""The command line: parse, call, print. Everything heavy is imported inside the commands.

``word_*.py`` say what each command takes, one file a subject; the modules beside them do it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import traceback
from collections.abc import Callable
from functools import cache
from importlib import import_module
from typing import Annotated, Protocol, runtime_checkable

import typer
import typer.main

from seqrun._version import __version__
from seqrun.cli.app import app
from seqrun.errors import SeqrunError
from seqrun.report.shared.cleaned import output_cleaned

# In the order in which the help lists them.
for _subject in ("running", "units", "records", "files", "benches"):
    import_module(f"seqrun.cli.word_{_subject}")


def _version(show: bool) -> None:
    if show:
        typer.echo(f"seqrun {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Entry point: an error of ours becomes its message and exit code, without a traceback."""
    # Our arrays are short: a pool of linear-algebra threads costs more than it saves.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    _standing_streams()
    with output_cleaned():
        code = _exit_code()
        for number, stream in ((1, sys.stdout), (2, sys.stderr)):
            try:
                stream.flush()
            except (OSError, ValueError):
                # Nobody reads it; Python would try again at its own end and exit by its own code
                with contextlib.suppress(OSError):
                    os.dup2(os.open(os.devnull, os.O_WRONLY), number)
    sys.exit(code)


def _standing_streams() -> None:
    """What was closed before we began is a null device: else the first file that is opened, a
    record, would get its number and all that is printed."""
    for number, name, way in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest that is free: this one
            setattr(sys, name, open(number, way, encoding="utf-8", closefd=False))  # noqa: SIM115


#: of a full device, a broken one, one that is gone: what is printed; what is kept says so itself
_NO_OUTPUT = (errno.ENOSPC, errno.EIO, errno.EPIPE, errno.EBADF)


@runtime_checkable
class _WrongUse(Protocol):
    """What the command-line library raises for an option or argument that is wrong."""

    exit_code: int

    def show(self) -> None: ...


@cache
def _command() -> Callable[..., object]:
    """All commands, made once in a process: of each option the type is worked out."""
    return typer.main.get_command(app)


def _exit_code() -> int:
    """Do what the command line says; 1 only ever means a reject."""
    try:
        found = _command()(standalone_mode=False)
        return found if isinstance(found, int) else 0
    except SeqrunError as error:
        code, told = error.exit_code, f"seqrun: {error}"
    except (typer.Abort, KeyboardInterrupt):
        code, told = 4, "seqrun: interrupted"
    except (SystemExit, BrokenPipeError):  # nobody reads the output any more
        return 4
    except Exception as error:
        if isinstance(error, _WrongUse):
            with contextlib.suppress(OSError, ValueError):
                error.show()
            return 2
        if isinstance(error, OSError) and error.errno in _NO_OUTPUT:
            with contextlib.suppress(OSError, ValueError):
                print(f"seqrun: the output cannot be written: {error.strerror}", file=sys.stderr)
            return 4
        # A mistake of ours is no verdict: Python's own code for it, 1, would be a reject.
        code, told = 4, traceback.format_exc()
    with contextlib.suppress(OSError, ValueError):
        print(told, file=sys.stderr)
    return code


if __name__ == "__main__":
    main()
