"""Run directories on other storage: the run works in a local copy, mirrored after each save.

What is called storage here is whatever fsspec knows by a URL: objects in a bucket, a directory of
another machine. A reader of it always meets a complete set: new files come first, the note that
names them after them, what nobody names any more goes last, and no file is there by half.
"""

from __future__ import annotations

import contextlib
import errno
import shutil
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from evaluate.errors import InputError
from optimize.files import is_neighbour, only_writer
from optimize.lease import NAME as LEASE
from optimize.lease import Lease, LeaseLostError
from optimize.saving import UnwrittenError, reason
from optimize.starts import KEPT
from optimize.status import NAME as STATUS

# Storage on which a file appears when all of it is there; elsewhere it is renamed into place.
_WHOLE = {"s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "oss", "memory"}
_NOTES = ("checkpoints/round.json", "checkpoints/enumeration.json", "certificate.json")
_RUN = ("study.toml", "front.parquet")
_TRIES = 5  # of reading a run that is at work, until nothing changes meanwhile
_AT_ONCE = 8  # files that are put at a time
_PAUSES_S = (0.0, 2.0, 8.0)  # before each try of the last put

Mark = tuple[object, ...]  # by which a changed file is told from what it was


class StorageError(OSError):
    """Raised when storage does not do what it is asked."""

    def __init__(self, place: str, error: BaseException) -> None:
        said = str(error).splitlines()[0] if str(error) else type(error).__name__
        super().__init__(errno.EIO, said.rstrip("."), place)


def is_url(place: object) -> bool:
    """Return whether a place is one for fsspec, not a directory here."""
    return "://" in str(place)


class Store:
    """The files of one run on other storage, by their names in the run directory.

    Parameters
    ----------
    url : str
        Such as ``s3://bucket/run``.
    where : str
        The option or argument, for messages.

    Raises
    ------
    InputError
        If nothing that is installed knows such a URL.
    """

    def __init__(self, url: str, where: str) -> None:
        self.url, self.where = url.rstrip("/"), where
        try:
            import fsspec

            self._fs, root = fsspec.core.url_to_fs(self.url)
        except ImportError as error:
            hint = str(error) if "fsspec" not in str(error) else "pip install 'crankfront[cluster]'"
            raise InputError(
                where, f"{url} ({hint})", "a directory, or what is installed"
            ) from None
        except Exception as error:  # whatever a file system of fsspec says of its URL
            raise InputError(where, f"{url} ({error})", "a URL as fsspec knows it") from None
        self._root = str(root).rstrip("/")
        protocol = self._fs.protocol
        names = {protocol} if isinstance(protocol, str) else set(protocol)
        self._is_whole = bool(names & _WHOLE)

    def files(self) -> dict[str, Mark]:
        """Return all files of the run with what tells a changed one; no neighbours, no lease."""
        files = {}
        for name, info in self._listed():
            if _is_passing(name):
                continue
            times = (info.get(k) for k in ("ETag", "etag", "LastModified", "mtime", "created"))
            files[name] = (info.get("size"), *map(str, times), self._modified(name, info))
        return files

    def remove_passing(self) -> None:
        """Remove what killed runs have left behind beside the files of the run."""
        for name, _ in self._listed():
            if _is_passing(name) and name != LEASE:
                self.remove(name)

    def _listed(self) -> list[tuple[str, dict[str, Any]]]:
        """Return the name of every file and what is known of it; none that leads elsewhere."""
        with self._told():
            self._fs.invalidate_cache()
            found = self._fs.find(self._root, detail=True)
        names = [str(path).removeprefix(self._root).lstrip("/") for path in found]
        listed = zip(names, found.values(), strict=True)
        return [(name, info) for name, info in listed if ".." not in PurePosixPath(name).parts]

    def _modified(self, name: str, info: dict[str, Any]) -> str | None:
        """Return when a file was written, where a listing does not say so."""
        if any(k in info for k in ("ETag", "etag", "LastModified", "mtime")):
            return None
        with contextlib.suppress(Exception):
            return str(self._fs.modified(self._at(name)))
        return None

    def read(self, name: str) -> bytes | None:
        """Return the content of a file, None where there is none."""
        with self._told(name):
            try:
                content: bytes = self._fs.cat_file(self._at(name))
            except FileNotFoundError:
                return None
        return content

    def write(self, name: str, content: bytes) -> None:
        """Write a file, whole or not at all."""
        with self._told(name), self._placed(name) as target:
            self._fs.pipe_file(target, content)

    def put(self, file: Path, name: str) -> None:
        """Copy a file there, whole or not at all."""
        with self._told(name), self._placed(name) as target:
            self._fs.put_file(str(file), target)

    def create(self, name: str, content: bytes) -> bool:
        """Write a file where there is none; return whether that was so, as far as can be told."""
        with self._told(name):
            self._make_folder(name)
            self._fs.invalidate_cache()
            if self._fs.exists(self._at(name)):
                return False
            try:
                self._fs.pipe_file(self._at(name), content, mode="create")
            except FileExistsError:
                return False
        return True

    def remove(self, name: str) -> None:
        """Remove a file, if it is there."""
        with self._told(name), contextlib.suppress(FileNotFoundError):
            self._fs.rm_file(self._at(name))

    def age_s(self, name: str) -> float | None:
        """Return how long ago a file was written, by the storage's own clock; None if unknown."""
        probe = f"{LEASE}.{uuid.uuid4().hex[:8]}"
        self.write(probe, b"")
        try:
            self._fs.invalidate_cache()
            now, then = (self._fs.modified(self._at(one)) for one in (probe, name))
        except Exception:  # gone meanwhile, or such storage keeps no times
            return None
        finally:
            self.remove(probe)
        if not (isinstance(now, datetime) and isinstance(then, datetime)):
            return None
        return (now - then).total_seconds()

    def _at(self, name: str) -> str:
        return f"{self._root}/{name}"

    def _make_folder(self, name: str) -> None:
        if not self._is_whole:
            self._fs.makedirs(self._at(name).rpartition("/")[0], exist_ok=True)

    @contextlib.contextmanager
    def _placed(self, name: str) -> Iterator[str]:
        """Give the path to write to; what is not whole by itself is renamed into place."""
        if self._is_whole:
            yield self._at(name)
            return
        self._make_folder(name)
        path = PurePosixPath(self._at(name))
        beside = str(path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}{path.suffix}"))
        try:
            yield beside
            self._fs.mv(beside, str(path))
        except BaseException:
            with contextlib.suppress(Exception):
                self._fs.rm_file(beside)
            raise

    @contextlib.contextmanager
    def _told(self, name: str = "") -> Iterator[None]:
        """Turn whatever a file system raises into one kind of error that names the place."""
        try:
            yield
        except StorageError:
            raise
        except Exception as error:  # each file system has errors of its own
            raise StorageError(f"{self.url}/{name}".rstrip("/"), error) from error


def _is_passing(name: str) -> bool:
    """Return whether a file is none of the run's: one that was being written, a lease."""
    return is_neighbour(Path(name)) or PurePosixPath(name).name.startswith(LEASE)


def _rank(name: str) -> int:
    """Return the place of a file in a put: what names others comes after them, the state last."""
    return 2 if name == STATUS else int(name in _NOTES)


def of_results(name: str) -> bool:
    """Return whether a file is one of those that commands read: no checkpoint, no picture."""
    return not {"checkpoints", "pictures"} & set(PurePosixPath(name).parts)


def fetch_into(
    folder: Path, store: Store, *, wanted: Callable[[str], bool] = lambda _: True
) -> None:
    """Copy a run from storage, as it was at one moment though it may be at work.

    Parameters
    ----------
    folder : Path
        Where to.
    store : Store
        Where from.
    wanted : callable
        Says which names are.

    Raises
    ------
    InputError
        If it is never the same for long enough.
    StorageError
        If it cannot be read.
    """
    have: dict[str, Mark] = {}
    for _ in range(_TRIES):
        there = {n: m for n, m in store.files().items() if wanted(n) and n != STATUS}
        if there == have:
            _fetch_one(folder, store, STATUS)
            return
        for name in have.keys() - there.keys():
            (folder / name).unlink(missing_ok=True)
        for name in sorted(there):
            if have.get(name) != there[name]:
                _fetch_one(folder, store, name)
        have = there
    raise InputError(
        store.where, f"{store.url}, which changes all the time", "a run that is slower"
    )


def _fetch_one(folder: Path, store: Store, name: str) -> None:
    content = store.read(name)
    if content is not None:  # else it was removed since it was listed
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)


class Mirror:
    """A run directory here and its mirror on other storage.

    Attributes
    ----------
    folder : Path
        The directory that the run works in.
    url : str
        What the user calls it.
    is_only_copy : bool
        Whether the directory here may have what storage has not.
    """

    def __init__(self, store: Store, folder: Path, lease: Lease) -> None:
        self.folder, self.url = folder, store.url
        self._store, self._lease = store, lease
        self.is_only_copy = False
        self._put: dict[str, Mark] = {}  # what is there, by its mark here

    def fetch(self) -> None:
        """Copy the run from storage, to go on with it.

        What a run left there that was killed during its first put has no study and no note: it is
        dropped here, and there with the next put.
        """
        self._store.remove_passing()
        fetch_into(self.folder, self._store)
        self._put = self._marks()
        if not {"study.toml", *_NOTES} & self._put.keys():
            for path in self.folder.iterdir():
                if path.is_dir():
                    shutil.rmtree(path)
                elif path.name != KEPT:
                    path.unlink()

    def put_changed(self) -> None:
        """Copy what has changed to storage, and remove there what is gone here.

        Raises
        ------
        StorageError
            If storage does not take it; what was there is complete still.
        LeaseLostError
            If another run has taken over.
        """
        self._lease.renew()
        marks = self._marks()
        changed = [name for name, mark in marks.items() if self._put.get(name) != mark]
        for rank in sorted({_rank(name) for name in changed}):
            self._put_all({name: marks[name] for name in sorted(changed) if _rank(name) == rank})
        for name in sorted(self._put.keys() - marks.keys()):
            self._store.remove(name)
            del self._put[name]

    def _put_all(self, marks: dict[str, Mark]) -> None:
        """Copy files side by side, since each may take long; the first failure ends it."""

        def put(name: str) -> None:
            self._store.put(self.folder / name, name)
            self._put[name] = marks[name]

        with ThreadPoolExecutor(_AT_ONCE) as pool:
            try:
                for done in [pool.submit(put, name) for name in marks]:
                    done.result()
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise

    def finish(self) -> None:
        """Copy the last changes, with patience.

        Raises
        ------
        UnwrittenError
            If storage does not take them; the directory here must be kept then.
        LeaseLostError
            If another run has taken over.
        """
        problem = ""
        for pause_s in _PAUSES_S:
            time.sleep(pause_s)
            try:
                self.put_changed()
            except StorageError as error:
                problem = reason(error)
            else:
                self.is_only_copy = False
                return
        raise UnwrittenError(
            f"{self.url} does not take the last of the run ({problem}). All of it is in "
            f"{self.folder}; go on with --out {self.folder} --resume"
        )

    def _marks(self) -> dict[str, Mark]:
        marks: dict[str, Mark] = {}
        for path in self.folder.rglob("*"):
            if path.is_file() and not is_neighbour(path):
                stat = path.stat()
                name = path.relative_to(self.folder).as_posix()
                marks[name] = (stat.st_ino, stat.st_mtime_ns, stat.st_size)
        return marks


@contextlib.contextmanager
def mirrored(
    url: str, *, resume: bool, tell: Callable[[str], None] = lambda _: None
) -> Iterator[Mirror]:
    """Give a directory here for a run that belongs on other storage.

    Parameters
    ----------
    url : str
        The run directory.
    resume : bool
        Whether a run that is there is gone on with.
    tell : callable
        Takes sentences for the user.

    Raises
    ------
    InputError
        If the URL cannot be used or holds a run already, or another run is at work there.
    UnwrittenError
        If storage does not take the last of the run; the directory here is kept.
    """
    store = Store(url, "--out")
    if not resume and _holds_a_run(store):
        raise InputError(
            "--out", f"{url}, which holds a run already", "a new place, or --resume to go on"
        )
    scratch = Path(tempfile.mkdtemp(prefix="crankfront-"))
    folder = scratch / (PurePosixPath(url.rstrip("/")).name or "run")
    folder.mkdir()
    lease = Lease(store)
    mirror = Mirror(store, folder, lease)
    try:
        with lease.held(tell):
            if resume:
                mirror.fetch()
            with _finished(mirror, tell):
                yield mirror
    finally:
        if not mirror.is_only_copy:
            shutil.rmtree(scratch, ignore_errors=True)


@contextlib.contextmanager
def _finished(mirror: Mirror, tell: Callable[[str], None]) -> Iterator[None]:
    """Copy the last changes however a run ends: what it has saved, its results, its state."""
    mirror.is_only_copy = True
    try:
        yield
    except LeaseLostError:
        raise
    except BaseException:
        try:
            mirror.finish()
        except (UnwrittenError, LeaseLostError) as error:
            tell(str(error))
        raise
    mirror.finish()


def _holds_a_run(store: Store) -> bool:
    return any(name in _RUN or name.startswith("checkpoints/") for name in store.files())


@contextlib.contextmanager
def fetched(
    place: str | Path, where: str, *, wanted: Callable[[str], bool] = lambda _: True
) -> Iterator[Path]:
    """Give a directory with a run, wherever it is, to read it.

    Parameters
    ----------
    place : str or Path
        A directory here, which is given as it is, or a URL.
    where : str
        The argument, for messages.
    wanted : callable
        Says which names are needed.
    """
    if not is_url(place):
        yield Path(place)
        return
    store = Store(str(place), where)
    with (
        tempfile.TemporaryDirectory(prefix="crankfront-") as scratch,
        contextlib.ExitStack() as held,
    ):
        folder = Path(scratch) / (PurePosixPath(store.url).name or "run")
        folder.mkdir()
        try:
            fetch_into(folder, store, wanted=wanted)
            is_at_work = Lease(store).is_fresh()
        except StorageError as error:
            raise InputError(where, reason(error), "a place that can be read") from None
        if not any(folder.iterdir()):
            raise InputError(where, f"nothing in {store.url}", "the place of a run")
        if is_at_work:  # so that `status` here says so
            held.enter_context(only_writer(folder, where))
        yield folder
