"""What is kept to save time later never brings back a folder that was moved away."""

from __future__ import annotations

from pathlib import Path

from facademap.io.kept_files import keep_file


def test_a_file_is_kept_with_the_folders_it_needs(tmp_path: Path) -> None:
    assert keep_file(tmp_path, "cache/tiles/3/0_1.jpg", b"stone")
    assert (tmp_path / "cache/tiles/3/0_1.jpg").read_bytes() == b"stone"
    assert keep_file(tmp_path, Path("cache/tiles/3/0_1.jpg"), b"newer")
    assert [p.name for p in (tmp_path / "cache/tiles/3").iterdir()] == ["0_1.jpg"]
    assert (tmp_path / "cache/tiles/3/0_1.jpg").read_bytes() == b"newer"


def test_a_folder_that_has_gone_stays_gone(tmp_path: Path) -> None:
    assert not keep_file(tmp_path / "moved", "cache/tables.pack", b"stone")
    assert not (tmp_path / "moved").exists()


def test_a_file_in_the_way_costs_nothing(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("in the way")
    assert not keep_file(tmp_path, "cache/tables.pack", b"stone")
    assert (tmp_path / "cache").read_text() == "in the way"
