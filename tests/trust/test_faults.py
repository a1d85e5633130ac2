"""What disks, folders, clocks and others do to a command: each with the end that is promised.

Exit code 2, why in plain words, nothing written and nothing lost. Foreign folders and files,
`--replace` without proof, and links inside an output stand in `tests/output`; a file that another
program has locked in `tests/overlay/test_refusals.py`; a server that goes away in
`tests/register/test_server_gone.py`.
"""

from __future__ import annotations

import os
import shlex
import shutil
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from tempfile import mkdtemp

import pytest

from lateralline import api
from tests.frames.test_operations import OSTN15, ntv2
from tests.support.command import run
from tests.support.places import SAMPLES
from tests.trust.cases import CASES, EPOCH, Base
from tests.trust.faults import as_nobody, limited
from tests.trust.forked import Ran
from tests.trust.forked import run as run_forked
from tests.trust.whole import read_whole, state_of

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks, /proc")


@pytest.fixture(scope="module")
def sketch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of the smallest site; with it everything is imported that forks need."""
    out = tmp_path_factory.mktemp("sketch") / "S"
    api.build(SAMPLES / "local-sketch", out)
    warm = (
        "zones",
        out,
        "--rule",
        "cga",
        "-o",
        out.parent / "z",
        "--picture",
        out.parent / "z.png",
    )
    assert run(*warm).exit_code == 0
    assert run("new", out.parent / "new").exit_code == 0
    return out


def forked(home: Path, *command: object, prepare: Callable[[], None] | None = None) -> Ran:
    """Run a command in a process of its own, in a folder."""
    return run_forked(command, home, home.parent / "apart", more=EPOCH, prepare=prepare)


_BUILD = ("build", SAMPLES / "local-sketch", "-o", "out")
_ZONES = ("zones", "S", "--rule", "cga", "-o", "dig")
#: Commands by how they write: SQLite and GDAL, Arrow, text, pictures, drawings, workbooks; each
#: with the bytes there is room for in a file.
WRITERS: dict[str, tuple[int, tuple[object, ...]]] = {
    "build": (20_000, _BUILD),
    "build, lake": (200_000, (*_BUILD, "--also", "geoparquet,flatgeobuf")),
    "zones": (60_000, _ZONES),
    "draw": (300, ("draw", "S", "-o", "plan.svg")),
    "export": (4_000, ("export", "S", "-o", "site.dxf")),
    "handover": (300, ("handover", "S", "--profile", "municipal", "-o", "t", "--format",
                       "shapefile")),
    "tapes": (20_000, ("ties", "S", "--tapes", "tapes.gpkg")),
    "new": (300, ("new", "site")),
    "new, no room at all": (0, ("new", "site")),
    "workbook": (300, ("new", "book", "--xlsx")),
    "key": (100, ("seal", "--new-key", "my.key")),
}  # fmt: skip


@pytest.mark.parametrize("name", WRITERS)
def test_a_full_disk_leaves_nothing_and_is_told(name: str, sketch: Path, tmp_path: Path) -> None:
    home, (room, command) = tmp_path / "home", WRITERS[name]
    shutil.copytree(sketch, home / "S")
    before = state_of(home)
    ran = forked(home, *command, prepare=partial(limited, room))
    assert ran.code == 2, ran.said
    assert "File too large" in ran.said or "the disk may be full" in ran.said, ran.said
    assert "Traceback" not in ran.said
    assert state_of(home) == before
    assert list((tmp_path / "apart" / "tmp").iterdir()) == []


#: Commands of `cases` that none of these writes like.
OTHERS = ("upgrade", "import-points", "accept", "check --report", "seal", "export .kml",
          "clearance", "match", "connect", "page", "build --per-crs")  # fmt: skip


@pytest.fixture(scope="module")
def base(sketch: Path, tmp_path_factory: pytest.TempPathFactory) -> Base:
    """What those read, made when the first of them asks for it; with all imported, as `sketch`."""
    return Base(tmp_path_factory.mktemp("base") / "base")


@pytest.mark.parametrize("name", OTHERS)
def test_no_room_for_half_of_it_leaves_all_as_it_was(name: str, base: Base, tmp_path: Path) -> None:
    [case] = (case for case in CASES if case.name == name)
    command, homes = shlex.split(case.command), [tmp_path / h / "home" for h in ("whole", "full")]
    for home in homes:
        home.mkdir(parents=True)
        base.give(case.inputs, home)
    before = state_of(homes[1])
    assert forked(homes[0], *command).code in (0, 1)
    after = state_of(homes[0])
    made = [homes[0] / name for name in after if after[name] != before.get(name)]
    sizes = [path.stat().st_size for path in made if path.is_file()]
    ran = forked(homes[1], *command, prepare=partial(limited, max(sizes) // 2))
    assert ran.code == 2, ran.said
    assert "File too large" in ran.said or "the disk may be full" in ran.said, ran.said
    assert state_of(homes[1]) == before
    assert list((tmp_path / "full" / "apart" / "tmp").iterdir()) == []


@contextmanager
def small_disk(at: Path, size: int) -> Iterator[Path]:
    """A file system of its own, which only root can have."""
    at.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", at]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no right to mount a disk; files that may not grow are tried everywhere")
    try:
        yield at
    finally:
        subprocess.run(["umount", at], check=True)


def test_a_disk_that_fills_up_keeps_the_older_output(sketch: Path, tmp_path: Path) -> None:
    """The older output is on it, and the new one has no room beside it."""
    older = tmp_path / "page.html"
    assert run("page", sketch, "-o", older, "--note", "older").exit_code == 0
    with small_disk(tmp_path / "disk", int(1.4 * older.stat().st_size)) as disk:
        shutil.copyfile(older, disk / "page.html")
        before = state_of(disk)
        refused = forked(tmp_path, "page", sketch, "-o", disk / "page.html", "--replace")
        assert refused.code == 2, refused.said
        assert "No space left on device; nothing was put in place" in refused.said
        assert state_of(disk) == before


@pytest.fixture
def open_home() -> Iterator[Path]:
    """A folder that whoever gave up root's rights can reach, which those of pytest's are not."""
    home = Path(mkdtemp(prefix="faults-"))
    home.chmod(0o755)
    yield home
    for path in home.rglob("*"):
        if path.is_dir() and not path.is_symlink():
            path.chmod(0o755)
    shutil.rmtree(home)


@pytest.mark.parametrize("name", ["zones", "new"])
def test_a_folder_nobody_may_write_to_is_named(name: str, sketch: Path, open_home: Path) -> None:
    home = open_home / "home"
    shutil.copytree(sketch, home / "S")
    (open_home / "apart").mkdir()
    with as_nobody(open_home) as nobody:
        before = state_of(home)
        home.chmod(0o555)
        ran = forked(home, *WRITERS[name][1], prepare=nobody)
        home.chmod(0o755)
    assert ran.code == 2, ran.said
    said = " ".join(ran.said.split())
    assert "Permission denied" in said
    assert "choose a place you may write to" in said
    assert state_of(home) == before


def test_an_output_nobody_may_write_to_stays_as_it_is(sketch: Path, open_home: Path) -> None:
    """A folder of ours in a folder that may be written to: what is in it is the user's to keep."""
    home = open_home / "home"
    shutil.copytree(sketch, home / "S")
    (open_home / "apart").mkdir()
    with as_nobody(open_home) as nobody:
        assert forked(home, *_ZONES, prepare=nobody).code == 0
        (home / "dig").chmod(0o555)
        before = state_of(home)
        ran = forked(home, *_ZONES, "--replace", prepare=nobody)
    assert ran.code == 2, ran.said
    assert "Permission denied" in ran.said
    assert state_of(home) == before


def test_rights_are_those_the_umask_leaves_and_a_key_is_its_owners(
    sketch: Path, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    shutil.copytree(sketch, home / "S")
    there = set(home.rglob("*"))
    for name in ("build", "zones", "new", "key"):
        ran = forked(home, *WRITERS[name][1], prepare=partial(os.umask, 0o027))
        assert ran.code in (0, 1), ran.said
    modes = {
        p.relative_to(home).as_posix(): stat.S_IMODE(p.stat().st_mode)
        for p in home.rglob("*")
        if p not in there
    }
    assert modes.pop("my.key") == 0o600
    odd = {n: oct(m) for n, m in modes.items() if m != (0o750 if (home / n).is_dir() else 0o640)}
    assert odd == {}


def test_rights_of_what_is_replaced_are_kept(sketch: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    shutil.copytree(sketch, home / "S")
    command = (*_ZONES, "--picture", "dig.png")
    assert forked(home, *command).code == 0
    for out, mode in (("dig", 0o711), ("dig.png", 0o604)):
        (home / out).chmod(mode)
    assert forked(home, *command, "--replace").code == 0
    assert stat.S_IMODE((home / "dig").stat().st_mode) == 0o711
    assert stat.S_IMODE((home / "dig.png").stat().st_mode) == 0o604


def test_other_names_of_an_output_keep_what_they_held(sketch: Path, tmp_path: Path) -> None:
    """Hard links: a file of an output elsewhere, and a user's file that is in an output too."""
    dig = tmp_path / "dig"
    assert run("zones", sketch, "--rule", "cga", "-o", dig).exit_code == 0
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / "other.md").hardlink_to(dig / "OVERLAY.md")
    (dig / "mine.txt").hardlink_to(tmp_path / "mine.txt")
    held = {name: (tmp_path / name).read_bytes() for name in ("other.md", "mine.txt")}
    assert run("zones", sketch, "--tolerance", "1m", "-o", dig, "--replace").exit_code == 0
    assert {name: (tmp_path / name).read_bytes() for name in held} == held
    assert (dig / "OVERLAY.md").read_bytes() != held["other.md"]
    assert (dig / "mine.txt").samefile(tmp_path / "mine.txt")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dig", "mine.txt", "other.md"]


# ---- two at once ---------------------------------------------------------------------------


def begun(home: Path, *command: object, after_s: float = 0.0) -> int:
    """Begin a command in a process of its own and return its number."""
    child = os.fork()
    if child == 0:
        code = 70
        try:
            time.sleep(after_s)
            code = forked(home, *command).code
        finally:
            os._exit(code)
    return child


@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("apart_s", [0.0, 0.15])
def test_two_who_write_one_output_leave_one_whole(
    replace: bool, apart_s: float, sketch: Path, tmp_path: Path
) -> None:
    homes = [tmp_path / name / "home" for name in "ab"]
    for home in homes:
        shutil.copytree(sketch, home / "S")
    shared = tmp_path / "shared"
    shared.mkdir()
    command = ("zones", "S", "-o", shared / "dig", "--rule", "cga")
    assert forked(homes[0], *command).code == 0
    wanted = state_of(shared)
    shutil.rmtree(shared / "dig")
    if replace:
        assert forked(homes[0], *command[:4], "--tolerance", "1m").code == 0
        assert state_of(shared) != wanted
        (shared / "dig" / "notes.txt").write_text("mine")
        command = (*command, "--replace")
    children = [begun(homes[0], *command), begun(homes[1], *command, after_s=apart_s)]
    codes = sorted(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children)
    assert codes in ([[0, 0], [0, 2]] if replace else [[0, 2]])
    if replace:
        assert (shared / "dig" / "notes.txt").read_text() == "mine"
        (shared / "dig" / "notes.txt").unlink()
    assert state_of(shared) == wanted


def test_two_builds_of_one_site_leave_its_ids_whole(tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "local-sketch", site)
    ids = (site / "ids.csv").read_bytes()
    (site / "ids.csv").unlink()
    api.build(site, tmp_path / "alone")
    wanted = (site / "ids.csv").read_bytes()
    (site / "ids.csv").unlink()
    homes = [tmp_path / name / "home" for name in "ab"]
    for home in homes:
        home.mkdir(parents=True)
    children = [begun(home, "build", site, "-o", "out") for home in homes]
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    assert codes == [0, 0]
    there = (site / "ids.csv").read_bytes()
    assert len(there.splitlines()) == len(wanted.splitlines()) == len(ids.splitlines())
    assert all(read_whole(home / "out") for home in homes)
    assert [p.name for p in site.iterdir() if p.name.startswith(".")] == []


# ---- other disks, other clocks ---------------------------------------------------------------


def test_an_output_on_another_disk_is_replaced_there(sketch: Path, tmp_path: Path) -> None:
    """By a link, with its picture on this disk: both or none."""
    shared = Path("/dev/shm")
    if not shared.is_dir() or shared.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("no other disk")
    with ExitStack() as undo:
        there = Path(mkdtemp(dir=shared))
        undo.callback(shutil.rmtree, there)
        (tmp_path / "dig").symlink_to(there / "dig")
        (there / "dig").mkdir()
        command = ("zones", sketch, "-o", tmp_path / "dig", "--picture", tmp_path / "dig.png")
        assert run(*command, "--tolerance", "1m", "--replace").exit_code == 0
        (there / "dig" / "notes.txt").write_text("mine")
        made = state_of(there)
        assert run(*command, "--rule", "cga", "--replace").exit_code == 0
        assert (tmp_path / "dig").readlink() == there / "dig"
        now = state_of(there)
        assert now["dig/notes.txt"] == made["dig/notes.txt"]
        assert now["dig/OVERLAY.md"] != made["dig/OVERLAY.md"]
        assert now.keys() == made.keys()
        assert sorted(p.name for p in tmp_path.iterdir()) == ["dig", "dig.png"]


def test_a_clock_set_back_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither what is replaced, nor what is built again: both go by content, not by time."""
    site, out, cache = tmp_path / "site", tmp_path / "out", tmp_path / "cache"
    shutil.copytree(SAMPLES / "local-sketch", site)
    marks = site / "marks.csv"
    monkeypatch.setattr(time, "time", lambda: 1_900_000_000.0)
    first = api.build(site, out, cache=cache).layers["transmitter_fixes"]
    text = marks.read_text(encoding="utf-8")
    was = marks.stat()
    at = next(line for line in text.splitlines() if ",end_null,offset," in line)
    cells = at.split(",")
    cells[7] = f"{float(cells[7]) + 0.05:.2f}"
    marks.write_text(text.replace(at, ",".join(cells)), encoding="utf-8")
    assert marks.stat().st_size == was.st_size
    os.utime(marks, ns=(was.st_atime_ns, was.st_mtime_ns))  # as a copy that keeps its time
    monkeypatch.setattr(time, "time", lambda: 1_000_000_000.0)
    again = api.build(site, out, cache=cache, replace=True).layers["transmitter_fixes"]
    assert not again.geometry.geom_equals(first.geometry).all()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cache", "out", "site"]
    assert list(out.glob("*kept*")) == []


@pytest.mark.parametrize("command", ["check", "build"])
@pytest.mark.parametrize("part", [0, 300])
def test_a_damaged_grid_is_named_and_nothing_is_written(
    part: int, command: str, tmp_path: Path
) -> None:
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    (site / "grids").mkdir()
    (site / "grids" / OSTN15).write_bytes(ntv2(1.8, -5.5)[:part])
    toml = (site / "site.toml").read_text(encoding="utf-8")
    toml = toml.replace('horizontal = "EPSG:32617"', 'horizontal = "EPSG:27700"\ngrids = "grids"')
    (site / "site.toml").write_text(toml, encoding="utf-8")
    before = state_of(tmp_path)
    out = ("-o", str(tmp_path / "out")) if command == "build" else ()
    # a process of its own, as a user's: PROJ keeps for good which grids it found
    ran = subprocess.run(
        [sys.executable, "-c", "from lateralline.cli import main; main()", command, site, *out],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    said = " ".join((ran.stdout + ran.stderr).split())
    assert ran.returncode in (1, 2), said
    assert f"{OSTN15} ({part} bytes)" in said
    assert "put whole copies there" in said
    assert state_of(tmp_path) == before
