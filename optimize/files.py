"""Files appear whole or not at all: write beside, flush, rename."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import tomli_w

from evaluate.errors import InputError

LEAST_ROOM = 2**14  # of a directory for results [bytes]
# What `write_whole` calls the file that it writes beside NAME.SUFFIX: .NAME.SUFFIX.RANDOM.SUFFIX
_NEIGHBOUR = re.compile(r"\..+(\.[^.]+)\.[a-z0-9_]{8}\1")


class RemovedError(OSError):
    """Raised when a run directory is gone while its run is at work: nothing can be saved there."""

    def __init__(self, folder: Path) -> None:
        super().__init__(errno.ENOENT, "was removed while its run was at work", str(folder))

    def __str__(self) -> str:
        return f"{self.filename} {self.strerror}; nothing of it is left"


def must_exist(folder: Path) -> None:
    """Raise a RemovedError unless a run directory is where it was.

    It must not be made again: somebody wanted it away, and the study in it is gone.
    """
    if not folder.is_dir():
        raise RemovedError(folder)


@contextlib.contextmanager
def into(folder: Path) -> Iterator[None]:
    """Let a run write into its directory; an error there is a RemovedError if that is gone."""
    must_exist(folder)
    try:
        yield
    except OSError:
        must_exist(folder)
        raise


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file through a temporary neighbour, so that a reader never meets half of it.

    Parameters
    ----------
    path : Path
        Where the file shall stand.
    write : callable
        Writes the content to the path that it is given.

    Raises
    ------
    InputError
        If something else stands there.
    OSError
        If it cannot be written; the error names the file, and what stood there before stays.
    """
    path = Path(os.path.realpath(path))  # a link stays one, its target is written
    if path.exists() and not path.is_file():
        raise InputError(str(path), "no regular file", "a file, or a name that is free")
    beside = None
    try:
        handle, name = tempfile.mkstemp(
            prefix=f".{path.name}.", suffix=path.suffix, dir=path.parent
        )
        beside = Path(name)
        os.close(handle)
        write(beside)
        with beside.open("rb+") as file:
            os.fsync(file.fileno())
        beside.chmod(0o644)
        beside.replace(path)
        _flush_names(path.parent)
    except OSError as error:
        raise _of_file(error, path) from error
    finally:
        if beside is not None:
            with contextlib.suppress(OSError):  # where it cannot be removed, it was not the cause
                beside.unlink(missing_ok=True)


def _of_file(error: OSError, path: Path) -> OSError:
    """Return the same error as one of the file that was to be written.

    Libraries say that there is no room, but not for what; the neighbour's name helps nobody.
    """
    if error.errno is None:
        return OSError(errno.EIO, str(error), str(path))
    return OSError(error.errno, os.strerror(error.errno), str(path))


def _flush_names(folder: Path) -> None:
    """Make a new name in a folder outlast a power cut, where the system can.

    Without it the note of a checkpoint might outlast the states that it names.
    """
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def is_neighbour(path: Path) -> bool:
    """Return whether a file is the temporary neighbour of one that was being written."""
    return _NEIGHBOUR.fullmatch(path.name) is not None


def remove_neighbours(folders: Iterable[Path]) -> None:
    """Remove temporary neighbours that killed processes have left behind.

    Parameters
    ----------
    folders : iterable of Path
        Where nothing else writes; those that do not exist are passed over.
    """
    for folder in folders:
        if folder.is_dir():
            for path in folder.iterdir():
                if is_neighbour(path) and path.is_file() and not path.is_symlink():
                    path.unlink(missing_ok=True)


@contextlib.contextmanager
def only_writer(folder: Path, where: str) -> Iterator[None]:
    """Keep a directory for one process as long as it lives, where the system has such locks.

    The lock is the system's: it ends with the process, however that ends.

    Raises
    ------
    InputError
        If another process has the directory.
    """
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):  # no such locks here
        yield
        return
    try:
        if _is_locked(handle, fcntl.LOCK_EX):
            raise InputError(
                where,
                f"{folder}, in which another run is at work",
                "another directory, or this one when that run has ended",
            )
        yield
    finally:
        os.close(handle)


def _is_locked(handle: int, kind: int) -> bool:
    """Take a lock, and return whether another process has it; False where there are no locks.

    Somebody who only asks (`has_writer`) holds it for a moment: it is tried again.
    """
    import fcntl

    for pause_s in (0.0, 0.05, 0.2):
        if pause_s:
            time.sleep(pause_s)
        try:
            fcntl.flock(handle, kind | fcntl.LOCK_NB)
        except BlockingIOError:
            continue
        except OSError:  # not on this file system
            return False
        return False
    return True


def has_writer(folder: Path) -> bool:
    """Return whether a process is at work in a directory, as `only_writer` knows it."""
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        return False
    try:
        return _is_locked(handle, fcntl.LOCK_SH)
    finally:
        os.close(handle)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all."""
    write_whole(path, lambda beside: beside.write_text(text, encoding="utf-8"))


def json_text(document: Any) -> str:
    """Return plain values as indented JSON; quick for documents of tens of megabytes too."""
    return msgspec.json.format(msgspec.json.encode(document), indent=1).decode()


def toml_text(tables: dict[str, Any]) -> str:
    """Return tables as TOML, lists of plain values on one line, as people write them."""

    def on_one_line(found: re.Match[str]) -> str:
        items = [line.strip().rstrip(",") for line in found[0].splitlines()[1:-1]]
        return f"[{', '.join(items)}]"

    text = tomli_w.dumps(tables)
    for items in (r"[^\[\]{}\n]+", r"\[[^\[\]{}\n]*\]"):  # plain values, then lists of them
        text = re.sub(rf"\[\n(?: +{items},\n)+ *\]", on_one_line, text)
    return text


def writable_directory(path: Path, where: str) -> Path:
    """Return a directory that exists and can be written to, made if need be.

    Raises
    ------
    InputError
        If it cannot be made or written to, or has no room for the smallest run.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=path) as file:
            file.write(bytes(LEAST_ROOM))
            file.flush()
            os.fsync(file.fileno())  # some systems find only now that there is no room
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(
            where, f"{path} ({reason})", "a directory that can be written to"
        ) from None
    return path


def file_to_write(
    path: Path | None, where: str, *, suffix: str, inputs: Sequence[Path] = ()
) -> None:
    """Check that a file can be written, before anything is computed.

    Parameters
    ----------
    path : Path or None
        The file; nothing is checked without one.
    where : str
        The option, for the message.
    suffix : str
        How its name must end, such as ``.parquet``.
    inputs : sequence of Path
        Files that are read, and must not be written over.

    Raises
    ------
    InputError
        If it cannot be written, is one of the inputs or has another suffix.
    """
    if path is None:
        return
    if path.suffix.lower() != suffix:
        raise InputError(where, str(path), f"a file ending in {suffix}")
    if path.exists() and not path.is_file():
        raise InputError(where, f"{path}, no regular file", "a file, or a name that is free")
    if not path.parent.is_dir():
        raise InputError(where, str(path), "a file in a directory that exists")
    if not os.access(path.parent, os.W_OK):
        raise InputError(where, str(path), "a file in a directory that can be written to")
    if any(path.exists() and other.exists() and path.samefile(other) for other in inputs):
        raise InputError(where, f"{path}, a file that is read", "another file")


def picture_stem(path: Path | None, where: str) -> Path | None:
    """Return the name of a picture without .png or .svg, once both can be written.

    Raises
    ------
    InputError
        If one of them cannot be written.
    """
    if path is None:
        return None
    stem = path.with_suffix("") if path.suffix.lower() in (".png", ".svg") else path
    for suffix in (".png", ".svg"):
        file_to_write(stem.with_name(stem.name + suffix), where, suffix=suffix)
    return stem
