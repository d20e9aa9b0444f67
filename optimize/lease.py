"""Who works on a run on other storage: a lock that ends by itself when its holder is gone.

Storage has no locks. The run that works leaves a file there and writes it again and again; one
that has not been written for a while belongs to a run that has ended. Its age is told by the
storage's clock, so that clocks of machines do not matter.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

from evaluate.errors import InputError

NAME = "writer.json"
LEASE_S = 60.0  # unwritten for so long, it is nobody's
SETTLE_S = 1.0  # after taking over: another may have done so at the same moment


class LeaseLostError(Exception):
    """Raised when another run has taken over: this one must write no more."""


class _Store(Protocol):
    """What a lease needs of storage, see `optimize.storage.Store`."""

    url: str
    where: str

    def read(self, name: str) -> bytes | None: ...
    def write(self, name: str, content: bytes) -> None: ...
    def create(self, name: str, content: bytes) -> bool: ...
    def remove(self, name: str) -> None: ...
    def age_s(self, name: str) -> float | None: ...


class Lease:
    """The right to write to a run on storage.

    Parameters
    ----------
    store : Store
        Where the run is.
    lease_s : float
        How long it holds without being renewed. [s]
    """

    def __init__(self, store: _Store, lease_s: float | None = None) -> None:
        self._store, self._lease_s = store, LEASE_S if lease_s is None else lease_s
        self._token = uuid.uuid4().hex
        self._stop = threading.Event()

    @contextlib.contextmanager
    def held(self, tell: Callable[[str], None] = lambda _: None) -> Iterator[Lease]:
        """Take the lease, keep it, and give it back.

        Parameters
        ----------
        tell : callable
            Takes a sentence when the place of a dead run is taken.

        Raises
        ------
        InputError
            If another run has it.
        """
        self._take(tell)
        keeper = threading.Thread(target=self._keep, daemon=True)
        keeper.start()
        try:
            yield self
        finally:
            self._stop.set()
            keeper.join()
            with contextlib.suppress(OSError):
                if self._is_mine():
                    self._store.remove(NAME)

    def renew(self) -> None:
        """Write the lease again.

        Raises
        ------
        LeaseLostError
            If another run has taken over.
        """
        if not self._is_mine():
            raise LeaseLostError(
                f"another run has taken over {self._store.url}, of which nothing was heard here "
                f"for {self._lease_s:.0f} s; this one writes nothing more there"
            )
        self._store.write(NAME, self._content())

    def is_fresh(self) -> bool:
        """Return whether any run has the lease."""
        other = self._read()
        return other is not None and self._age_s(other) < self._lease_s and not _is_dead(other)

    def _take(self, tell: Callable[[str], None]) -> None:
        if self._store.create(NAME, self._content()):
            return
        other = self._read() or {}
        age_s = self._age_s(other)
        if age_s < self._lease_s and not _is_dead(other):
            left_s = self._lease_s - max(age_s, 0.0)
            raise InputError(
                self._store.where,
                f"{self._store.url}, in which another run was at work {age_s:.0f} s ago",
                f"another place, or this one when that run has ended (has it: in {left_s:.0f} s)",
            )
        tell(
            f"The run that had {self._store.url} has ended (last heard of {age_s:.0f} s ago); "
            "going on in its place."
        )
        self._store.write(NAME, self._content())
        time.sleep(SETTLE_S)
        if not self._is_mine():
            raise InputError(
                self._store.where,
                f"{self._store.url}, which another run has taken at the same moment",
                "another place",
            )

    def _keep(self) -> None:
        """Write the lease again and again, until it is given back or lost."""
        while not self._stop.wait(self._lease_s / 4):
            try:
                self.renew()
            except LeaseLostError:
                return  # the next save finds out
            except OSError:
                continue  # storage fails for a while

    def _is_mine(self) -> bool:
        """Return whether no other run has it; one that has vanished is nobody's."""
        other = self._read()
        return other is None or other.get("token") == self._token

    def _read(self) -> dict[str, Any] | None:
        content = self._store.read(NAME)
        if content is None:
            return None
        with contextlib.suppress(ValueError):
            found = json.loads(content)
            if isinstance(found, dict):
                return found
        return {}

    def _age_s(self, other: dict[str, Any]) -> float:
        """Return how long ago the lease was written; without clocks, by the writer's."""
        age_s = self._store.age_s(NAME)
        if age_s is not None:
            return age_s
        written = other.get("written")
        return time.time() - written if isinstance(written, int | float) else float("inf")

    def _content(self) -> bytes:
        note = {
            "schema": "crankfront.writer/1",
            "token": self._token,
            "pid": os.getpid(),
            "system": _system(),
            "written": round(time.time(), 3),
            "lease_s": self._lease_s,
        }
        return json.dumps(note).encode()


def _system() -> str | None:
    """Return what tells the processes of this system from others', where that can be known."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text("utf-8").strip()
        return f"{boot}:{os.stat('/proc/self/ns/pid').st_ino}"
    except OSError:
        return None


def _is_dead(other: dict[str, Any]) -> bool:
    """Return whether the writer was a process of this system that has ended."""
    pid, system = other.get("pid"), other.get("system")
    if system is None or system != _system() or not isinstance(pid, int) or pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        return False
    return False
