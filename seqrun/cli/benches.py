"""``seqrun bench find`` and ``seqrun bench test``: print what was found and tried."""

from __future__ import annotations

import sys
from pathlib import Path

from seqrun.errors import FileError
from seqrun.report.shared.screen import clean


def find_command(resources: list[str], write: Path | None, visa: str) -> int:
    """0 when something answered, 3 when nothing did."""
    from seqrun.files.command import command
    from seqrun.files.driver.load import load_driver
    from seqrun.files.shipped import shipped
    from seqrun.files.writing import write_whole
    from seqrun.instruments import discovery
    from seqrun.runner.opening import visa_manager
    from seqrun.runner.proving import bench_file

    if write is not None and write.exists():
        raise FileError(
            "there is a file of that name already", expected="a new name", where=str(write)
        )
    paths = {**shipped("driver"), **{str(p): p for p in sorted(Path().glob("*.toml"))}}
    drivers = {}
    for name, path in paths.items():
        try:
            loaded = load_driver(path)
        except FileError:
            continue  # a TOML file of the folder that is no driver
        if loaded.idn:  # what is read by hand, and a sound interface, answer nobody
            drivers[name] = loaded
    manager = visa_manager(visa)
    notes: list[str] = []
    try:
        listed = resources or discovery.resources(manager, notes)
        found = []
        for resource in listed:
            if sys.stderr.isatty():  # a serial port that stays silent takes a while
                print(f"{clean(resource)} is asked …", file=sys.stderr, flush=True)
            one = discovery.identify(resource, manager, drivers)
            found.append(one)
            fit = ", ".join(one.drivers) or "no driver here fits: see drivers/README.md"
            if one.identity:
                say(f"{resource}\n  answers: {one.identity}\n  driver: {fit}")
            else:
                hint = f"\n  next: {one.hint}" if one.hint else ""
                say(f"{resource}\n  {one.trouble}{hint}")
            if one.by_fingerprint:
                say('  its answer only fits the type: put label = "…" in the bench file')
    finally:
        manager.close()
    for note in notes:
        say(f"note: {note}")
    answered = [one for one in found if one.identity]
    if write is not None and not answered:
        say(f"not written: {write}: there is nothing to put into it")
    elif write is not None:
        entries: list[tuple[str, str, str, str]] = []
        unnamed: set[str] = set()
        for one in answered:
            for driver in one.drivers or ("",):
                role = drivers[driver].role if driver else "instrument"
                same = sum(key.rstrip("_0123456789") == role for key, *_ in entries)
                key = role if not same else f"{role}_{same + 1}"
                if any(r == one.resource and key.startswith(role) for key, r, *_ in entries):
                    continue  # of several drivers for one role the first is written
                entries.append((key, one.resource, driver, one.identity))
                if one.by_fingerprint:
                    unnamed.add(key)
        write_whole(write, bench_file(entries, frozenset(unnamed)))
        then = command("bench", "test", str(write))
        say(f"written: {write}; fill in what is marked, then: {then}")
    if not answered:
        say(
            "nothing answers: check power, cable and address; raw LAN sockets are asked by name, "
            "as in: seqrun bench find TCPIP0::192.0.2.10::5025::SOCKET"
        )
    return 0 if answered else 3


def test_command(path: str, nothing_connected: bool, connect: bool) -> int:
    """0 when everything was tried and right, 3 when not."""
    from seqrun.instruments.selfcheck import Check
    from seqrun.runner.proving import prove

    def tell(check: Check) -> None:
        mark = {True: "ok", False: "WRONG", None: "-"}[check.ok]
        say(f"{mark:6}{check.instrument}: {check.operation} = {check.taken}")
        for text in check.sent:
            say(f"        > {text}")
        for text in check.came:
            say(f"        < {text}")
        if check.hint:
            say(f"      next: {check.hint}")

    def allowed(words: str) -> bool:
        return nothing_connected or asked(f"{words}\nIs nothing connected? Type yes: ")

    def connected(words: str) -> bool:
        return connect and asked(f"{words}\nConnected? Type yes, or Enter to leave it out: ")

    proof = prove(path, tell, allowed, connected)
    wrong = sum(check.ok is False for check in proof.checks)
    if proof.declined:
        say(
            "The handshake is good; the self-check was not done: it needs your word, or "
            "--nothing-connected."
        )
    elif wrong:
        say(f"{wrong} of {len(proof.checks)} checks are wrong.")
    elif not proof.tried:
        say("Nothing here has an interface: there was nothing to try.")
    else:
        say(f"All {proof.tried} checks are right.")
    silent = sum(check.only_sent for check in proof.checks)
    if silent:
        say(
            f"{silent} of them were only sent: no answer confirms them. Later readings show some; "
            "look for the others on the instrument itself."
        )
    return 0 if proof.good else 3


def asked(words: str) -> bool:
    """Whether somebody at the terminal types yes."""
    from seqrun.report.shared.asking import answer_to
    from seqrun.runner.typed import discard_typed

    if not sys.stdin.isatty():
        return False
    discard_typed()
    try:
        return answer_to(words).strip().lower() == "yes"
    except EOFError:  # the terminal is closed
        return False


def say(text: str) -> None:
    """A line of a command's output."""
    print(clean(text), flush=True)
