"""Long steps of the set-up, watched: a sign of life on the screen, their own words in a log, and
when one fails, why.

Standard library only: this file runs before anything is installed.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

AGAIN = "The same command begins again."


class Closed(Exception):
    """The door can't let the command in; the text says why and what to do."""


class Watch:
    """Runs the steps of the set-up: their words go to the log, a sign of life to the screen."""

    def __init__(self, log: Path, surroundings: dict[str, str], held: int):
        self.log = log
        self.surroundings = surroundings
        self.held = held

    def run(self, doing: str, command: list[str], how_far: Callable[[], str] = str) -> None:
        start = self.log.stat().st_size
        if not self.succeeds(doing, command, how_far):
            raise Closed(why_failed(doing, self.log, start))

    def succeeds(self, doing: str, command: list[str], how_far: Callable[[], str] = str) -> bool:
        began = time.monotonic()
        show = shower(doing)
        quiet = {"PIP_USER": "0", "PYTHONUNBUFFERED": "1"}
        with open(self.log, "ab") as log:
            # a child outliving this process keeps the lock, so that nobody builds beside it
            kept = {} if os.name == "nt" else {"pass_fds": (self.held,)}
            child = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=self.surroundings | quiet,
                cwd=self.log.parent.parent,
                **kept,
            )
            try:
                while True:
                    with contextlib.suppress(subprocess.TimeoutExpired):
                        child.wait(timeout=1)
                    took = time.monotonic() - began
                    show(took, how_far(), child.returncode is not None)
                    if child.returncode is not None:
                        return child.returncode == 0
            except BaseException:
                child.terminate()
                child.wait()
                raise


def packages_so_far(log: Path, packages: Path) -> str:
    """What pip has told and done so far, counted."""
    told = log.read_text("utf8", errors="replace")
    chosen = told.rpartition("\nInstalling collected packages: ")[2].partition("\n")[0]
    if chosen and "\nInstalling collected packages: " in told:
        done = sum(1 for _ in packages.glob("*.dist-info"))
        return f"{min(done, chosen.count(',') + 1)} of {chosen.count(',') + 1} installed"
    fetched = sum(line.startswith("Collecting ") for line in told.splitlines())
    return f"{fetched} packages fetched" if fetched else ""


def shower(doing: str, every_s: int = 5) -> Callable[[float, str, bool], None]:
    """Shows how far a step is: one living line on a screen, a line now and then in a file."""
    live = sys.stdout.isatty()
    last = 0.0

    def show(took: float, how_far: str, ended: bool) -> None:
        nonlocal last
        line = f"  {doing}: {took:.0f} s" + (f", {how_far}" if how_far else "")
        if live:
            print(f"\r{line:<75}", end="\n" if ended else "", flush=True)
        elif ended or took - last >= every_s:
            last = took
            print(line, flush=True)

    return show


REASONS = (
    ("No space left on device", "the disk is full"),
    ("DO NOT MATCH THE HASHES", "a fetched package is not the one that the lock names"),
    ("NewConnectionError", "the package registry can't be reached; look to the network"),
    ("Temporary failure in name resolution", "the package registry can't be reached"),
    ("getaddrinfo failed", "the package registry can't be reached; look to the network"),
    ("Connection refused", "the package registry can't be reached; look to the network"),
    ("timed out", "the package registry does not answer; look to the network"),
    ("SSLError", "the package registry's certificate is not trusted on this machine"),
    ("No matching distribution", "the package registry lacks a package, or can't be reached"),
)
"""What pip writes when it fails, and what that means."""


def why_failed(doing: str, log: Path, start: int) -> str:
    told = log.read_bytes()[start:].decode("utf8", errors="replace")
    reasons = [meaning for sign, meaning in REASONS if sign in told]
    reason = reasons[0] if reasons else "\n" + "\n".join(told.strip().splitlines()[-5:]) + "\n"
    return f"set-up failed while {doing}: {reason}. {AGAIN}\nIn full: {log}"
