"""Files are there whole or not at all, only where they belong, and nothing of others is removed."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from facademap.errors import FileError, InputError
from facademap.io import whole_files
from facademap.io.whole_files import (
    clear_scratch,
    keep_file,
    make_folder,
    open_whole,
    path_inside,
    remove_file,
    remove_folder,
    scratch_folder,
    whole_folder,
    write_whole,
)


def test_a_file_is_kept_with_the_folders_it_needs(tmp_path: Path) -> None:
    assert keep_file(tmp_path, "cache/tiles/3/0_1.jpg", b"stone")
    assert (tmp_path / "cache/tiles/3/0_1.jpg").read_bytes() == b"stone"
    assert keep_file(tmp_path, Path("cache/tiles/3/0_1.jpg"), b"newer")
    assert [p.name for p in (tmp_path / "cache/tiles/3").iterdir()] == ["0_1.jpg"]
    assert (tmp_path / "cache/tiles/3/0_1.jpg").read_bytes() == b"newer"


def test_a_folder_that_has_gone_stays_gone(tmp_path: Path) -> None:
    assert not keep_file(tmp_path / "moved", "cache/tables.pack", b"stone")
    assert not (tmp_path / "moved").exists()
    with pytest.raises(FileError, match="no longer there"):
        make_folder("photos", inside=tmp_path / "moved")


def test_a_file_in_the_way_costs_nothing(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("in the way")
    assert not keep_file(tmp_path, "cache/tables.pack", b"stone")
    assert (tmp_path / "cache").read_text() == "in the way"


def test_an_error_leaves_the_old_file_and_nothing_beside_it(tmp_path: Path) -> None:
    target = write_whole(tmp_path / "list.csv", "old")
    with pytest.raises(ZeroDivisionError), open_whole(target) as file:
        file.write(b"half" * (1 // 0))
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["list.csv"]


def test_the_mode_is_kept_and_the_mask_of_the_process_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = write_whole(tmp_path / "list.csv", "old")
    target.chmod(0o640)

    def touched(mask: int) -> int:
        raise AssertionError("another thread's files would get this mask")

    monkeypatch.setattr(os, "umask", touched)
    write_whole(target, "new")
    assert target.stat().st_mode & 0o777 == 0o640
    plain = tmp_path / "plain"
    plain.write_text("as the system makes it")
    fresh = write_whole(tmp_path / "fresh", "new")
    assert fresh.stat().st_mode == plain.stat().st_mode


def test_a_full_disk_is_told_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = write_whole(tmp_path / "list.csv", "old")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(whole_files.os, "fsync", full)
    with pytest.raises(FileError, match="the disk is full; nothing was changed"):
        write_whole(target, "new")
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["list.csv"]


@pytest.mark.parametrize(
    "relative", ["../outside", "/etc/passwd", "a/../../outside", "link/outside", "nul\0", "loop/x"]
)
def test_no_path_leads_out(tmp_path: Path, relative: str) -> None:
    root = make_folder(tmp_path / "project")
    (root / "link").symlink_to(tmp_path)
    (root / "loop").symlink_to(root / "loop")
    (tmp_path / "outside").write_text("theirs")
    for act in (
        lambda: path_inside(root, relative),
        lambda: write_whole(relative, "ours", inside=root),
        lambda: remove_file(relative, inside=root),
        lambda: remove_folder(relative, inside=root, made=".*"),
    ):
        with pytest.raises(InputError, match="leads out of the folder"):
            act()
    assert (tmp_path / "outside").read_text() == "theirs"


def test_a_folder_with_files_of_others_is_neither_replaced_nor_removed(tmp_path: Path) -> None:
    tiles = tmp_path / "tiles"
    tiles.mkdir()
    (tiles / "thesis.odt").write_text("theirs")
    with pytest.raises(FileError, match=r"thesis\.odt, which facademap did not make"):
        remove_folder("tiles", inside=tmp_path, made=r"\d+\.jpg")
    with (
        pytest.raises(FileError, match="left alone"),
        whole_folder("tiles", inside=tmp_path, made=r"\d+\.jpg"),
    ):
        pass
    assert (tiles / "thesis.odt").read_text() == "theirs"


def test_a_folder_is_replaced_as_a_whole(tmp_path: Path) -> None:
    for content in ("old", "new"):
        with whole_folder("tiles", inside=tmp_path, made=r"\d+\.jpg") as fresh:
            write_whole("1.jpg", content, inside=fresh)
    with pytest.raises(RuntimeError), whole_folder("tiles", inside=tmp_path, made=r"\d+\.jpg"):
        raise RuntimeError
    assert (tmp_path / "tiles/1.jpg").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["tiles"]


def test_a_file_that_somebody_changed_since_is_not_removed(tmp_path: Path) -> None:
    import hashlib

    made = write_whole(tmp_path / "ticket.pdf", "ours")
    digest = hashlib.sha256(b"ours").hexdigest()
    made.write_text("with notes of the mason")
    assert not remove_file("ticket.pdf", inside=tmp_path, sha256=digest)
    made.write_text("ours")
    assert remove_file("ticket.pdf", inside=tmp_path, sha256=digest)
    assert not made.exists()


_STOPPED = """
import sys, time
from pathlib import Path
from facademap.io.whole_files import open_whole, scratch_folder
with open_whole(Path(sys.argv[1]) / "list.csv") as file, scratch_folder(Path(sys.argv[1]) / "wall.tif") as folder:
    (folder / "level0").write_bytes(b"half")
    file.write(b"half")
    print("ready", flush=True)
    time.sleep(600)
"""


def test_scratch_of_a_stopped_run_is_cleared_with_a_word_and_that_of_a_running_one_is_not(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    run = subprocess.Popen(
        [sys.executable, "-c", _STOPPED, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert run.stdout is not None
    assert run.stdout.readline() == "ready\n"
    assert len(list(tmp_path.iterdir())) == 2
    assert clear_scratch(tmp_path) == []
    run.send_signal(signal.SIGKILL)
    run.wait()
    assert len(clear_scratch(tmp_path)) == 2
    assert list(tmp_path.iterdir()) == []
    assert "cleared 2 unfinished files of a stopped run" in caplog.text


def test_old_scratch_is_known_by_what_it_holds(tmp_path: Path) -> None:
    ours, theirs = tmp_path / ".main.tif.ab12cd34", tmp_path / ".side.tif.ab12cd34"
    for folder, name in ((ours, "level0"), (theirs, "thesis.odt")):
        folder.mkdir()
        (folder / name).write_text("x")
        os.utime(folder, (0, 0))
    (tmp_path / ".facademap-0123456789ab.part").symlink_to(theirs)
    assert clear_scratch(tmp_path) == [ours]
    assert (theirs / "thesis.odt").exists()


def test_many_threads_write_one_file(tmp_path: Path) -> None:
    """Writers and a clearer at once: the file is always one of those written, and nothing stays beside it."""
    faults: list[BaseException] = []

    def write(number: int) -> None:
        try:
            for _ in range(20):
                write_whole(tmp_path / "list.csv", str(number) * 1000, durable=False)
                clear_scratch(tmp_path)
        except BaseException as error:
            faults.append(error)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not faults
    assert len(set((tmp_path / "list.csv").read_text())) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["list.csv"]


def test_scratch_goes_after_an_error(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), scratch_folder(tmp_path / "wall.tif"):
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []
