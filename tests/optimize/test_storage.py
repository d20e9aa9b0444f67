"""Run directories on other storage, against real ones: a directory, memory, a server of buckets.

Reference: the same run in a directory, byte by byte; `signal(7)` on SIGKILL. The server is moto's,
where moto and s3fs are installed (they are no part of the tests' requirements); it keeps to the
interface of S3 in an implementation that is not ours.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from evaluate.errors import InputError
from optimize import lease, storage
from optimize.lease import Lease, LeaseLostError
from optimize.saving import UnwrittenError
from optimize.storage import Mirror, StorageError, Store, fetched, is_url, mirrored, of_results
from tests.faults.launching import Launch, crankfront
from tests.optimize.small_studies import metrics, write_study
from tests.torture.reading import differences, found_in

fsspec = pytest.importorskip("fsspec", reason="fsspec comes with the extra 'cluster'")

SMALL = {
    "space": {
        "cylinders": [3, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["own-web"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 30.0,
    },
    "constraints": {"largest_interval_factor": 1.75},
    "objectives": metrics(("force_rms_N", 200.0), ("couple_rms_Nm", 20.0)),
    "search": {"population": 20, "evaluations": 1200, "seeds": 2, "exact": "never"},
}
OPTIONS = ("--workers", 1, "--no-pictures", "--save-every", 0)


@pytest.fixture(scope="session")
def bucket(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the URL of a bucket on a server of this machine."""
    moto = pytest.importorskip("moto.server", reason="no moto with s3fs to be a server of buckets")
    s3fs = pytest.importorskip("s3fs")
    server = moto.ThreadedMotoServer(port=0, verbose=False)
    server.start()
    _, port = server.get_host_and_port()
    variables = {
        "AWS_ACCESS_KEY_ID": "test",
        "AWS_SECRET_ACCESS_KEY": "test",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
    }
    before = {name: os.environ.get(name) for name in variables}
    os.environ.update(variables)
    s3fs.S3FileSystem().mkdir("runs")
    yield "s3://runs"
    server.stop()
    for name, value in before.items():
        os.environ.pop(name) if value is None else os.environ.update({name: value})


@pytest.fixture(params=["file", "memory", "s3"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return the URL of a run that is not there yet."""
    places: dict[str, Callable[[], str]] = {
        "file": lambda: f"file://{tmp_path}/elsewhere",
        "memory": lambda: f"memory://{uuid.uuid4().hex}",
        "s3": lambda: f"{request.getfixturevalue('bucket')}/{uuid.uuid4().hex}",
    }
    return places[request.param]() + "/run"


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let leases and patience be short."""
    monkeypatch.setattr(lease, "SETTLE_S", 0.05)
    monkeypatch.setattr(storage, "_PAUSES_S", (0.0, 0.1))


def put(folder: Path, **files: str) -> None:
    for name, text in files.items():
        path = folder / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.with_suffix(".json").write_text(text, "utf-8")


def names_of(store: Store) -> set[str]:
    return set(store.files())


def raw_names(url: str) -> set[str]:
    """Return all names at a place, as fsspec itself lists them."""
    files, root = fsspec.core.url_to_fs(url)
    files.invalidate_cache()
    return {str(path).removeprefix(str(root)).lstrip("/") for path in files.find(root)}


@pytest.mark.parametrize(
    ("place", "expected"),
    [("s3://a/b", True), ("memory://x", True), ("results/x", False), (Path("/a/b"), False)],
)
def test_what_a_url_is(place: object, expected: bool) -> None:
    assert is_url(place) is expected


# --- files ---


def test_files_come_back_as_they_were_put(url: str, tmp_path: Path) -> None:
    store, content = Store(url, "--out"), bytes(range(256)) * 40
    (tmp_path / "a.bin").write_bytes(content)
    assert store.files() == {}
    assert store.read("checkpoints/a.bin") is None
    store.put(tmp_path / "a.bin", "checkpoints/a.bin")
    store.write("b.json", b"{}")
    assert names_of(store) == {"checkpoints/a.bin", "b.json"} == raw_names(url)
    assert store.read("checkpoints/a.bin") == content
    before = store.files()
    assert store.files() == before
    store.write("b.json", b"[]")  # as long as before
    assert store.files() != before
    store.remove("b.json")
    store.remove("b.json")
    assert names_of(store) == {"checkpoints/a.bin"}


def test_only_the_first_creates(url: str) -> None:
    store = Store(url, "--out")
    assert store.create("one.json", b"1")
    assert not store.create("one.json", b"2")
    assert store.read("one.json") == b"1"


def test_ages_are_told_by_the_storage(url: str) -> None:
    store = Store(url, "--out")
    store.write("old.json", b"1")
    time.sleep(2.1)  # S3 tells whole seconds
    age_s = store.age_s("old.json")
    assert age_s is not None
    assert 1 <= age_s < 30
    assert names_of(store) == {"old.json"}


def test_places_that_nothing_knows_are_refused(tmp_path: Path) -> None:
    study = write_study(tmp_path, **SMALL)
    for url in ("nonsense://a/run", "gs://bucket/run"):
        ended = crankfront("enumerate", study, "--out", url, *OPTIONS)
        assert ended.status == 2, ended.said
        assert url in ended.said
        assert "traceback" not in ended.words
    assert [path.name for path in tmp_path.iterdir()] == [study.name]


def test_without_fsspec_a_message_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "fsspec", None)
    ended = crankfront("enumerate", write_study(tmp_path, **SMALL), "--out", "memory://a/run")
    assert ended.status == 2, ended.said
    assert "pip install 'crankfront[cluster]'" in ended.said


# --- the order of a put ---


class Watched(Store):
    """Notes what is put and removed, and fails where it is told to."""

    def __init__(self, url: str) -> None:
        super().__init__(url, "--out")
        self.done: list[str] = []
        self.failing_after = sys.maxsize

    def _count(self, what: str) -> None:
        if len(self.done) >= self.failing_after:
            raise StorageError(self.url, ConnectionError("out of order"))
        self.done.append(what)

    def put(self, file: Path, name: str) -> None:
        self._count(name)
        super().put(file, name)

    def remove(self, name: str) -> None:
        if not name.startswith(lease.NAME):
            self._count(f"-{name}")
        super().remove(name)


@pytest.fixture
def mirror(tmp_path: Path) -> Iterator[tuple[Mirror, Watched]]:
    store = Watched(f"memory://{uuid.uuid4().hex}/run")
    folder = tmp_path / "run"
    folder.mkdir()
    with Lease(store).held() as held:
        yield Mirror(store, folder, held), store


def test_notes_come_after_what_they_name_and_removals_last(
    mirror: tuple[Mirror, Watched],
) -> None:
    here, store = mirror
    put(here.folder, study="s", checkpoints__round="1", status="run", checkpoints__island_1="x")
    here.put_changed()
    here.put_changed()  # nothing has changed
    assert set(store.done[:2]) == {"checkpoints/island_1.json", "study.json"}
    assert store.done[2:] == ["checkpoints/round.json", "status.json"]
    store.done.clear()
    (here.folder / "checkpoints/island_1.json").unlink()
    put(here.folder, checkpoints__round="2", checkpoints__island_2="y")
    here.put_changed()
    assert store.done == [
        "checkpoints/island_2.json",
        "checkpoints/round.json",
        "-checkpoints/island_1.json",
    ]


def test_wherever_a_put_breaks_off_the_note_names_what_is_there(
    mirror: tuple[Mirror, Watched],
) -> None:
    here, store = mirror
    for number in range(1, 4):  # each note names the states of its own number
        for old in here.folder.glob("checkpoints/island*"):
            old.unlink()
        names = [f"island_{number}_{k}" for k in range(3)]
        put(here.folder, **{f"checkpoints__{name}": name for name in names})
        put(here.folder, checkpoints__round=json.dumps(names))
        for broken in range(8):
            store.failing_after, store.done = broken, []
            with contextlib.suppress(StorageError):
                here.put_changed()
            note = store.read("checkpoints/round.json")
            named = json.loads(note) if note else []
            assert {f"checkpoints/{name}.json" for name in named} <= names_of(store)
        assert json.loads(store.read("checkpoints/round.json") or b"") == names


def test_neighbours_stay_here(mirror: tuple[Mirror, Watched]) -> None:
    here, store = mirror
    put(here.folder, study="s")
    (here.folder / ".front.parquet.abcdefgh.parquet").write_bytes(b"half of")
    here.put_changed()
    assert store.done == ["study.json"]


def test_a_reader_meets_one_moment_of_a_run_at_work(
    mirror: tuple[Mirror, Watched], tmp_path: Path
) -> None:
    here, store = mirror
    is_over = threading.Event()

    def work() -> None:
        number = 0
        while not is_over.is_set():
            number += 1
            for old in here.folder.glob("checkpoints/island*"):
                old.unlink()
            put(here.folder, **{f"checkpoints__island_{number}_{k}": str(number) for k in range(3)})
            put(here.folder, checkpoints__round=str(number))
            here.put_changed()
            time.sleep(0.02)

    writer = threading.Thread(target=work)
    writer.start()
    try:
        whole, turn, deadline = 0, 0, time.monotonic() + 60
        while whole < 10:
            assert time.monotonic() < deadline
            turn += 1
            folder = tmp_path / f"read-{turn}"
            folder.mkdir()
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(storage, "_TRIES", 1000)
                storage.fetch_into(folder, store)
            note = folder / "checkpoints/round.json"
            if not note.exists():
                continue  # the first put: until there is a note, the states count for nothing
            whole += 1
            states = {p.read_text("utf-8") for p in folder.glob("checkpoints/island*")}
            assert states == {note.read_text("utf-8")}
    finally:
        is_over.set()
        writer.join()


def test_what_is_fetched_stays_in_its_folder(tmp_path: Path) -> None:
    root = f"/{uuid.uuid4().hex}/run"
    memory = fsspec.filesystem("memory")
    memory.store[f"{root}/../../evil.txt"] = memory.open(f"{root}/a.txt", "wb")
    memory.pipe_file(f"{root}/good.txt", b"x")
    (tmp_path / "a" / "b").mkdir(parents=True)
    try:
        storage.fetch_into(tmp_path / "a" / "b", Store(f"memory:/{root}", "RUN_DIR"))
    finally:
        memory.store.pop(f"{root}/../../evil.txt")
    assert not (tmp_path / "evil.txt").exists()


def test_what_a_first_put_left_by_half_is_dropped(
    mirror: tuple[Mirror, Watched], tmp_path: Path
) -> None:
    here, store = mirror
    store.write("checkpoints/island-000-000-generation-0000001.npz", b"state")
    store.write("front_so_far.parquet", b"front")
    here.fetch()
    assert list(here.folder.iterdir()) == []
    (here.folder / "study.toml").write_text("begun again", "utf-8")
    here.put_changed()
    assert names_of(store) == {"study.toml"}


# --- leases ---


@pytest.mark.usefixtures("quick")
def test_a_second_run_is_refused_until_the_first_has_ended(url: str) -> None:
    store = Store(url, "--out")
    with Lease(store, 60.0).held():
        with pytest.raises(InputError, match=r"another run was at work \d+ s ago.*in \d+ s"):
            Lease(store, 60.0)._take(lambda _: None)
        assert Lease(store).is_fresh()
    assert not Lease(store).is_fresh()
    assert raw_names(url) == set()
    with Lease(store, 60.0).held():
        pass


def left_behind(store: Store, **changed: Any) -> None:
    """Leave the lease of a run of another system that was killed."""
    note = {"schema": "crankfront.writer/1", "token": "other", "pid": 1, "system": "elsewhere"}
    store.write(lease.NAME, json.dumps(note | changed).encode())


@pytest.mark.usefixtures("quick")
def test_an_old_lease_is_taken_over(url: str) -> None:
    store, told = Store(url, "--out"), []
    left_behind(store)
    with pytest.raises(InputError, match="another run"):
        Lease(store, 60.0)._take(told.append)
    time.sleep(2.1)
    with Lease(store, 1.0).held(told.append):
        assert len(told) == 1
        assert "has ended" in told[0]
        assert store.url in told[0]


@pytest.mark.usefixtures("quick")
def test_the_lease_of_a_process_of_this_system_that_has_ended_is_nobodys(url: str) -> None:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    store = Store(url, "--out")
    left_behind(store, pid=process.pid, system=lease._system())
    with Lease(store, 1e6).held():
        pass


def test_a_lease_is_kept_while_its_holder_computes() -> None:
    store = Store(f"memory://{uuid.uuid4().hex}/run", "--out")
    with Lease(store, 0.4).held():
        for _ in range(10):
            time.sleep(0.1)
            assert Lease(store, 0.4).is_fresh()


def test_a_run_whose_lease_was_taken_writes_no_more(mirror: tuple[Mirror, Watched]) -> None:
    here, store = mirror
    left_behind(store)  # as another run writes it
    put(here.folder, study="s")
    with pytest.raises(LeaseLostError, match="another run has taken over"):
        here.put_changed()
    assert store.done == []


# --- storage that fails ---


@pytest.mark.usefixtures("quick")
def test_the_last_put_is_tried_again(mirror: tuple[Mirror, Watched]) -> None:
    here, store = mirror
    put(here.folder, study="s", front="f")
    store.failing_after = 1
    with pytest.raises(UnwrittenError) as caught:
        here.finish()
    for text in ("out of order", store.url, f"--out {here.folder} --resume"):
        assert text in str(caught.value)
    mending = threading.Timer(0.05, lambda: setattr(store, "failing_after", sys.maxsize))
    mending.start()
    here.finish()
    mending.join()
    assert names_of(store) == {"study.json", "front.json"}


# --- whole runs ---


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_study(tmp_path_factory.mktemp("study"), **SMALL)


@pytest.fixture(scope="module")
def whole(study: Path) -> Callable[[str], Path]:
    def folder(command: str) -> Path:
        done = study.parent / command
        if not done.exists():
            ended = crankfront(command, study, "--out", done, *OPTIONS)
            assert ended.status == 0, ended.said
        return done

    return folder


def fetched_differences(url: str, folder: Path) -> list[str]:
    """Return what a run on storage has otherwise than one in a directory."""
    with fetched(url, "RUN_DIR") as copy:
        assert found_in(copy).unreadable == ()
        return differences(copy, folder)


@pytest.mark.slow
@pytest.mark.usefixtures("quick")
def test_a_run_on_storage_is_the_run_in_a_directory(
    url: str, study: Path, whole: Callable[[str], Path]
) -> None:
    ended = crankfront("enumerate", study, "--out", url, *OPTIONS)
    assert ended.status == 0, ended.said
    assert f"into{url}" in "".join(ended.said.split())
    assert fetched_differences(url, whole("enumerate")) == []
    assert lease.NAME not in raw_names(url)
    again = crankfront("enumerate", study, "--out", url, *OPTIONS)
    assert again.status == 2
    assert "holds a run already" in again.said
    assert crankfront("verify", url, "--sample", 100).status == 0
    assert crankfront("status", url).status == 0
    polished = crankfront("polish", url, "--evaluations", 5, "--no-pictures")
    assert polished.status == 2
    assert "--out" in polished.said
    resumed = crankfront("enumerate", study, "--out", url, "--resume", *OPTIONS)
    assert resumed.status == 0, resumed.said
    assert fetched_differences(url, whole("enumerate")) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("command", "after"),  # files put
    [("optimize", 3), ("optimize", 11), ("enumerate", 3), ("enumerate", 7)],
)
def test_a_run_that_is_killed_while_it_is_mirrored_goes_on_to_the_same_bits(
    command: str, after: int, study: Path, whole: Callable[[str], Path], tmp_path: Path
) -> None:
    elsewhere = tmp_path / "elsewhere" / "run"
    url = f"file://{elsewhere}"
    launch = Launch(
        (command, study, "--out", url, *OPTIONS),
        tmp_path / "said.txt",
        environment={"TMPDIR": str(tmp_path)},  # of what it leaves there
    )
    try:
        launch.wait_until(lambda: len([p for p in elsewhere.rglob("*") if p.is_file()]) >= after)
    finally:
        launch.close()  # SIGKILL
    with fetched(url, "RUN_DIR") as copy:
        found = found_in(copy)
        assert (found.unreadable, found.neighbours) == ((), ())
    (elsewhere / ".front.parquet.abcdefgh.parquet").write_bytes(b"half of")
    again = crankfront(command, study, "--out", url, "--resume", *OPTIONS)
    assert again.status == 0, again.said
    assert found_in(elsewhere).neighbours == ()
    assert fetched_differences(url, whole(command)) == []


@pytest.mark.slow
@pytest.mark.usefixtures("quick")
def test_storage_that_fails_for_a_while_loses_nothing(
    study: Path, whole: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere"
    url = f"file://{elsewhere}/run"
    launch = Launch(("optimize", study, "--out", url, *OPTIONS), tmp_path / "said.txt")
    try:
        launch.wait_until((elsewhere / "run" / "checkpoints" / "round.json").exists)
        with launch.held_still():
            elsewhere.rename(tmp_path / "away")
            elsewhere.write_text("no directory", "utf-8")
        launch.wait_until(lambda: "cannot save" in launch.said.lower())
        with launch.held_still():
            elsewhere.unlink()
            (tmp_path / "away").rename(elsewhere)
        ended = launch.end()
    finally:
        launch.close()
    assert ended.status == 0, ended.said
    assert ended.words.count("cannot save") == 1
    assert fetched_differences(url, whole("optimize")) == []


@pytest.mark.slow
@pytest.mark.usefixtures("quick")
def test_storage_that_fails_to_the_end_leaves_the_run_here(
    study: Path, whole: Callable[[str], Path], tmp_path: Path
) -> None:
    elsewhere = tmp_path / "elsewhere"
    with contextlib.ExitStack() as ended:
        mirror = ended.enter_context(mirrored(f"file://{elsewhere}/run", resume=False))
        shutil.copytree(whole("enumerate"), mirror.folder, dirs_exist_ok=True)
        mirror.put_changed()
        shutil.rmtree(elsewhere)
        elsewhere.write_text("no directory", "utf-8")
        (mirror.folder / "summary.md").write_text("changed", "utf-8")
        with pytest.raises(UnwrittenError) as caught:
            ended.close()
    assert f"--out {mirror.folder} --resume" in str(caught.value)
    assert (mirror.folder / "summary.md").read_text("utf-8") == "changed"
    shutil.rmtree(mirror.folder.parent)


def test_commands_that_read_fetch_no_checkpoints() -> None:
    assert of_results("front.parquet")
    assert of_results("shortlist/D1.toml")
    assert not of_results("checkpoints/round.json")
    assert not of_results("one/checkpoints/round.json")
