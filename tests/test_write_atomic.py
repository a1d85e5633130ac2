"""Whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from lateralline.errors import OutputExistsError
from lateralline.write import _atomic
from lateralline.write._atomic import whole_file, whole_folder


def old_output(out: Path) -> None:
    out.mkdir()
    (out / "kept.txt").write_text("old")


def half(made: Path, error: type[BaseException]) -> None:
    """Write something, then fail."""
    (made / "half" if made.is_dir() else made).write_text("half")
    raise error("midway")


def both(made: Path, out: Path) -> None:
    """Write something, while somebody else makes the output folder."""
    (made / "new").write_text("new")
    old_output(out)


def test_a_folder_appears_whole(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "a" / "out") as made:
        (made / "deep").mkdir()
        (made / "deep" / "file").write_text("new")
        assert not (tmp_path / "a" / "out").exists()
    assert (tmp_path / "a" / "out" / "deep" / "file").read_text() == "new"
    assert [p.name for p in (tmp_path / "a").iterdir()] == ["out"]


def test_nothing_appears_when_the_block_fails(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), whole_folder(tmp_path / "out") as made:
        half(made, KeyboardInterrupt)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_folder_is_not_put_in_place(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "out"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_an_existing_folder_is_refused_before_anything_runs(tmp_path: Path) -> None:
    old_output(tmp_path / "out")
    with pytest.raises(OutputExistsError, match="--replace"), whole_folder(tmp_path / "out"):
        pytest.fail("the block must not run")


def test_a_folder_made_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    with pytest.raises(OutputExistsError), whole_folder(tmp_path / "out") as made:
        both(made, tmp_path / "out")
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["kept.txt"]


def test_replacing_leaves_nothing_of_the_old(tmp_path: Path) -> None:
    old_output(tmp_path / "out")
    with whole_folder(tmp_path / "out", replace=True) as made:
        (made / "new").write_text("new")
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["new"]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("moment", ["block", "flush", "rename"])
def test_the_old_folder_survives_any_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    old_output(tmp_path / "out")
    rename = Path.rename

    def fail(*_: object) -> None:
        raise OSError("midway")

    def fail_on_new(self: Path, target: Path) -> Path:
        if self.suffix == ".part":
            raise OSError("midway")
        return rename(self, target)

    def work(made: Path) -> None:
        (made / "new").write_text("new")
        if moment == "block":
            fail()

    if moment == "flush":
        monkeypatch.setattr(_atomic, "_flush", fail)
    if moment == "rename":
        monkeypatch.setattr(Path, "rename", fail_on_new)
    with (
        pytest.raises(OSError, match="midway"),
        whole_folder(tmp_path / "out", replace=True) as made,
    ):
        work(made)
    assert (tmp_path / "out" / "kept.txt").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def cut_off_between_the_renames(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Replace `out` on a machine that loses power once the old folder stands aside."""
    rename, done = Path.rename, []

    def once(self: Path, target: Path) -> Path:
        if done:
            raise KeyboardInterrupt
        done.append(self)
        return rename(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", once)
        with pytest.raises(KeyboardInterrupt), whole_folder(out, replace=True) as made:
            (made / "half").write_text("half")
    assert not out.exists()


@pytest.mark.parametrize("replace", [False, True])
def test_the_next_run_puts_back_what_a_cut_off_one_left_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, replace: bool
) -> None:
    out = tmp_path / "out"
    old_output(out)
    cut_off_between_the_renames(out, monkeypatch)
    if replace:
        with whole_folder(out, replace=True) as made:
            assert (out / "kept.txt").read_text() == "old"
            (made / "new").write_text("new")
        assert [p.name for p in out.iterdir()] == ["new"]
    else:
        with pytest.raises(OutputExistsError), whole_folder(out):
            pytest.fail("the block must not run")
        assert (out / "kept.txt").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_an_old_folder_left_aside_after_all_was_done_goes(tmp_path: Path) -> None:
    old_output(tmp_path / "out")
    old_output(tmp_path / ".out.old")
    with whole_folder(tmp_path / "out", replace=True) as made:
        (made / "new").write_text("new")
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["new"]


def test_a_file_appears_whole_or_not(tmp_path: Path) -> None:
    out = tmp_path / "plan.png"
    with pytest.raises(ZeroDivisionError), whole_file(out) as made:
        half(made, ZeroDivisionError)
    assert list(tmp_path.iterdir()) == []
    with whole_file(out) as made:
        assert made.suffix == ".png"
        made.write_text("new")
    with pytest.raises(OutputExistsError), whole_file(out):
        pytest.fail("the block must not run")
    with whole_file(out, replace=True) as made:
        made.write_text("newer")
    assert out.read_text() == "newer"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.png"]
