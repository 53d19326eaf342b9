"""At any moment the old file or the whole new one stands at a final name."""

from __future__ import annotations

import errno
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import filelock
import pytest

from fencemap.errors import Cancelled, ExportError, InUseError, RasterError
from fencemap.guard import publish, publish_bytes, publish_text, sweep_temps

OLD, NEW = b"old" * 100_000, b"new" * 100_000


@pytest.fixture
def final(tmp_path):
    """Give a file that stands there already, alone in its folder."""
    path = tmp_path / "result.bin"
    path.write_bytes(OLD)
    return path


def _names(path):
    return sorted(entry.name for entry in path.parent.iterdir())


def _write_new(temporary):
    temporary.write_bytes(NEW)


def test_published_file_replaces_the_old_one_and_leaves_nothing_else(final):
    """The new bytes stand there; no temporary file and no lock lies beside them."""
    seen = []

    def build(temporary):
        seen.append((temporary.parent, temporary.suffix, temporary.name[0], _names(final)))
        _write_new(temporary)

    assert publish(final, build, verify=lambda path: seen.append(path.read_bytes())) == final

    assert final.read_bytes() == NEW
    assert _names(final) == ["result.bin"]
    folder, suffix, first, beside = seen[0]
    assert (folder, suffix, first) == (final.parent, ".bin", ".")
    assert beside == [".result.bin.lock", "result.bin"]
    assert seen[1] == NEW


def test_text_has_the_same_bytes_on_every_system(tmp_path):
    """UTF-8 and bare line feeds, whatever the locale."""
    publish_text(tmp_path / "a.txt", "Größe\nzwei\n")

    assert (tmp_path / "a.txt").read_bytes() == b"Gr\xc3\xb6\xc3\x9fe\nzwei\n"


def test_link_is_followed_to_the_file_it_names(final, tmp_path):
    """Results that a user keeps elsewhere stay there, and the link stays a link."""
    link = tmp_path / "link.bin"
    link.symlink_to(final)

    publish_bytes(link, NEW)

    assert link.is_symlink()
    assert final.read_bytes() == NEW


@pytest.mark.parametrize(
    "failure",
    [
        KeyboardInterrupt(), Cancelled(), ValueError("a bug"), RasterError("bad input"),
        OSError(errno.EIO, "input/output error"), MemoryError(),
    ],
)  # fmt: skip
@pytest.mark.parametrize("where", ["build", "verify"])
def test_whatever_stops_the_writer_the_old_file_stands(final, failure, where):
    """Stopped, failed or found wrong: the old bytes, and no traces."""

    def build(temporary):
        temporary.write_bytes(NEW[:1000])
        Path(f"{temporary}.ovr.tmp").write_bytes(b"a writer's own temporary file")
        if where == "build":
            raise failure

    def verify(_):
        raise failure

    expected = ExportError if isinstance(failure, OSError) else type(failure)
    with pytest.raises(expected) as caught:
        publish(final, build, verify=verify)

    assert final.read_bytes() == OLD
    assert _names(final) == ["result.bin"]
    if expected is ExportError:
        assert str(final) in str(caught.value)
        assert "input/output error" in str(caught.value)
        assert "the file that stood there still stands" in str(caught.value)


def test_first_file_that_fails_leaves_an_empty_folder(tmp_path):
    """Nothing at the final name is better than half of it."""
    with pytest.raises(ExportError, match="nothing was written"):
        publish(tmp_path / "a.bin", lambda _: None)

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("number", range(6))
def test_every_call_to_the_system_may_fail(final, monkeypatch, number):
    """Open, flush or rename failing at any turn ends in old or new, and names path and cause."""
    calls = []
    real = {"open": os.open, "fsync": os.fsync, "replace": Path.replace}

    def failing(name):
        def call(*arguments, **options):
            if name != "open" or str(final.parent) in str(arguments[0]):
                calls.append(name)
                if len(calls) == number + 1:
                    raise OSError(errno.EIO, "disk error")
            return real[name](*arguments, **options)

        return call

    monkeypatch.setattr(os, "open", failing("open"))
    monkeypatch.setattr(os, "fsync", failing("fsync"))
    monkeypatch.setattr(Path, "replace", failing("replace"))
    with pytest.raises(ExportError, match=r"result\.bin.*disk error"):
        publish(final, _write_new)
    monkeypatch.undo()

    flushed = calls.count("replace") and calls[-1] != "replace"
    assert final.read_bytes() == (NEW if flushed else OLD)
    assert _names(final) == ["result.bin"]


def test_calls_that_may_fail_are_all_tried(final, monkeypatch):
    """The test above counts to six; here are six calls: lock, open, flush, rename, open, flush."""
    calls = []
    for name, owner in (("open", os), ("fsync", os), ("replace", Path)):
        real = getattr(owner, name)

        def call(*arguments, _real=real, _name=name, **options):
            if _name != "open" or str(final.parent) in str(arguments[0]):
                calls.append(_name)
            return _real(*arguments, **options)

        monkeypatch.setattr(owner, name, call)
    publish(final, _write_new)
    monkeypatch.undo()

    assert calls == ["open", "open", "fsync", "replace", "open", "fsync"]


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_full_disk_is_called_by_its_name(final, number):
    """Writers report it in many words; the user reads three."""

    def build(_):
        raise sqlite3.OperationalError("Failed to commit") from OSError(number, "no room")

    with pytest.raises(
        ExportError, match=r"result\.bin: could not be written \(the disk is full\)"
    ):
        publish(final, build)
    assert final.read_bytes() == OLD


def test_full_disk_in_a_library_s_words(final):
    """SQLite rolls back first, so the disk has room again when the error arrives."""

    def build(_):
        raise sqlite3.OperationalError("failed to execute insert : database or disk is full")

    with pytest.raises(ExportError, match="the disk is full"):
        publish(final, build)


def test_disk_without_room_is_seen_before_writing(final):
    """Three times the expected size must be free, or nothing is begun."""
    with pytest.raises(ExportError, match=r"needs about .* MiB while it is written"):
        publish(final, lambda _: pytest.fail("began"), expected_bytes=2**60)


def test_limit_on_file_size_leaves_the_old_raster(tmp_path):
    """A real writer that runs out of room: no half raster, and the reason in words."""
    code = f"""
import resource, signal
from fencemap import guard
import numpy as np, rasterio
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
from fencemap.guard import new_raster, publish
def build(path):
    noise = np.random.default_rng(1).integers(0, 255, (1, 1000, 1000)).astype("uint8")
    profile = dict(driver="GTiff", width=1000, height=1000, count=1, dtype="uint8")
    with new_raster(path, crs="EPSG:26918", transform=rasterio.Affine(1, 0, 5e5, 0, -1, 4e6), **profile) as out:
        out.write(noise)
try:
    publish({str(tmp_path / "a.tif")!r}, build)
except guard.publishing.ExportError as error:
    print(error)
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert "a.tif: could not be written" in said.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("suffix", ["-wal", "-shm", "-journal"])
def test_package_open_in_another_program_is_not_replaced(final, suffix):
    """Its sidecar would meet a file that it doesn't belong to."""
    beside = Path(f"{final}{suffix}")
    beside.write_bytes(b"x")

    with pytest.raises(InUseError, match="another program has it open"):
        publish(final, _write_new)
    assert final.read_bytes() == OLD
    assert _names(final) == ["result.bin", beside.name]


def test_package_opened_while_it_is_built_is_not_replaced(tmp_path):
    """A host program that opens the old year during the run keeps it, and its edits."""
    final = tmp_path / "year.gpkg"
    with closing(sqlite3.connect(final)) as database:
        database.execute("pragma journal_mode = wal")
        database.execute("create table t (a)")
    editor = []

    def build(temporary):
        _write_new(temporary)
        editor.append(sqlite3.connect(final))
        editor[0].execute("insert into t values (1)")
        editor[0].commit()

    with pytest.raises(InUseError, match=r"year\.gpkg-shm"):
        publish(final, build)
    assert editor[0].execute("select a from t").fetchall() == [(1,)]
    editor[0].close()


def test_writer_that_did_not_close_its_database_is_found(final):
    """A journal beside the temporary file means rows that are not in it yet."""

    def build(temporary):
        _write_new(temporary)
        Path(f"{temporary}-journal").write_bytes(b"x")

    with pytest.raises(ExportError, match="left -journal behind"):
        publish(final, build)
    assert _names(final) == ["result.bin"]


def test_place_that_can_hold_no_file(tmp_path):
    """A folder at the final name, or none around it, is said before anything is built."""
    with pytest.raises(ExportError, match="is a folder"):
        publish(tmp_path, _write_new)
    with pytest.raises(ExportError, match="there is no folder"):
        publish(tmp_path / "absent" / "a.bin", _write_new)


def test_second_writer_waits_and_says_so(final):
    """Another fencemap at work: wait, then a clear sentence, and its lock is left alone."""
    lock = filelock.FileLock(final.with_name(".result.bin.lock"))

    with lock, pytest.raises(InUseError, match=r"another fencemap is writing it .* 0.1 s"):
        publish(final, _write_new, timeout_s=0.1)
    publish(final, _write_new)
    assert final.read_bytes() == NEW


def test_many_writers_never_mix(tmp_path):
    """Eight threads, one name: each publishes whole, one at a time, and no lock remains."""
    final = tmp_path / "a.bin"
    inside, errors = [], []

    def work(number):
        def build(temporary):
            inside.append(number)
            time.sleep(0.01)
            if inside[-1] != number:
                errors.append((number, inside[-1]))
            temporary.write_bytes(bytes([number]) * 50_000)

        for _ in range(3):
            publish(final, build)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert errors == []
    assert len(inside) == 24
    assert len(set(final.read_bytes())) == 1
    assert _names(final) == ["a.bin"]


def test_killed_writers_leave_the_old_state_and_the_next_run_completes(final):
    """Killed at five moments, the file is whole; swept, the folder is clean; run again, it is new."""
    code = f"""
import sys, time
from fencemap.guard import publish
def build(temporary):
    with temporary.open("wb") as stream:
        for _ in range(1000):
            stream.write({NEW[:300]!r})
            stream.flush()
            time.sleep(0.0004)
print("ready", flush=True)
publish({str(final)!r}, build)
"""
    killed = 0
    for moment in (0.0, 0.05, 0.1, 0.2, 0.35):
        with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as writer:
            writer.stdout.readline()
            time.sleep(moment)
            writer.send_signal(signal.SIGKILL)
            writer.wait()
            killed += writer.returncode == -signal.SIGKILL
        assert final.read_bytes() in (OLD, NEW)
    assert killed >= 4
    assert final.read_bytes() == OLD

    assert sweep_temps(final.parent) == ()  # too young to be anyone's leavings
    swept = sweep_temps(final.parent, older_than_s=-1)
    assert any(".tmp" in path.name for path in swept)
    assert _names(final) == ["result.bin"]
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    assert final.read_bytes() == NEW


def test_sweep_touches_nothing_but_leavings(tmp_path):
    """Users' own hidden files, folders, young files and held locks stay."""
    keep = [".hidden", "a.tmp.tif", ".a.tmp.tif", ".a.lock.txt", f".a.{'g' * 32}.tmp.tif", "b.lock"]
    drop = [f".a.tif.{'0' * 32}.tmp.tif", f".a.gpkg.{'f' * 32}.tmp.gpkg-journal", ".a.tif.lock"]
    for name in (*keep, *drop, ".held.tif.lock"):
        (tmp_path / name).write_bytes(b"x")
        os.utime(tmp_path / name, (0, 0))
    (tmp_path / f".young.{'1' * 32}.tmp.tif").write_bytes(b"x")
    (tmp_path / f".folder.{'2' * 32}.tmp.x").mkdir()

    with filelock.FileLock(tmp_path / ".held.tif.lock"):
        os.utime(tmp_path / ".held.tif.lock", (0, 0))
        swept = sweep_temps(tmp_path)

    assert [path.name for path in swept] == sorted(drop)
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {
        *keep,
        ".held.tif.lock",
        f".young.{'1' * 32}.tmp.tif",
        f".folder.{'2' * 32}.tmp.x",
    }
