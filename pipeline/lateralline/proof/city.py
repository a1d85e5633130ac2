"""What a city costs: commands as a user runs them, side by side with floors, in one run.

Every figure is the processor time of whole commands, each in processes of its own; what a command
costs once, imports above all, is taken off by the same command on one site. Floors are measured in
the same run: importing numpy, geopandas and pyproj; writing the same layers by pyogrio and nothing
else, and reading them back; adjusting all lines of a site once. So whatever else the machine does
is in both sides of a ratio. Nothing here is tested for time.
"""

from __future__ import annotations

import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from time import perf_counter, process_time
from typing import Final

import numpy as np

from lateralline import __version__
from lateralline.proof.tables import markdown
from lateralline.settings import standard_accuracy
from lateralline.simulate.scenarios import SOUND, UTM_ANCHOR
from lateralline.simulate.sheet import files_of, write_files
from lateralline.simulate.survey import survey
from lateralline.simulate.truth import (
    Crew,
    TrueGround,
    TrueLine,
    TrueRun,
    Truth,
    axis_below,
    standstills,
    walk,
)
from lateralline.workers import cores

#: Sites of a city if nothing is said: some minutes on two cores.
SIZES: Final = (5, 15)
#: Stops of one line, by the sites of the largest city from which they are built: long lines cost
#: minutes each.
LONG: Final = {0: (20, 40), 100: (100, 300), 1000: (100, 300, 1000)}
_DISTINCT: Final = 40  # sites drawn; more of them are the same under other ids
_LINES: Final = 10  # of the one site of many
_DRAWN: Final = 4  # sites that sheets are drawn of
_COMMAND: Final = "from lateralline.cli import main; main()"


@dataclass(frozen=True, slots=True)
class Spent:
    """What a command took, its processes together."""

    cpu_s: float
    wall_s: float
    peak_mb: float


@dataclass(frozen=True, slots=True)
class CityFigure:
    """A row of the table: what, how much, beside what floor, and the aim of the project."""

    what: str
    value: str
    beside: str = ""
    aim: str = ""


def city_table(
    sizes: Sequence[int] = SIZES,
    on_figure: Callable[[CityFigure], None] | None = None,
    more: Callable[[Path], Iterator[CityFigure]] | None = None,
) -> str:
    """Return the table as Markdown, with machine and date; `sizes` are numbers of sites.

    `on_figure` gets each row as it is known, `more` yields rows of the largest record's folder.
    Raises RuntimeError for a command that fails.
    """
    figures = []
    with tempfile.TemporaryDirectory(prefix="lateralline-bench-") as home:
        for figure in _figures(Path(home), sorted(set(sizes)), more):
            figures.append(figure)
            if on_figure is not None:
                on_figure(figure)
    heads = ("figure", "measured", "beside", "aim")
    rows = ((f.what, f.value, f.beside, f.aim) for f in figures)
    return f"{machine()}\n\n{markdown(heads, rows)}"


def machine() -> str:
    """Return what this was measured on, and when."""
    about = f"{platform.system()} {platform.machine()}, {cores()} cores, {_processor()}"
    today = date.today().isoformat()  # the day of the clock: this is a log, not a record
    return f"lateralline {__version__}, Python {platform.python_version()}, {about}; {today}."


def _processor() -> str:
    info = Path("/proc/cpuinfo")
    text = info.read_text(encoding="utf-8") if info.exists() else ""
    found = re.search(r"^model name\s*: (.*)$", text, re.M)
    return found[1].strip() if found else platform.processor() or "processor not known"


def growth(sizes: Sequence[float], cpu_s: Sequence[float]) -> float:
    """Return the exponent of growth: the slope of logs by least squares.

    >>> round(growth([10.0, 100.0, 1000.0], [1.0, 10.0, 100.0]), 3)
    1.0
    """
    return float(np.polyfit(np.log(sizes), np.log(cpu_s), 1)[0])


# ---- the figures ----------------------------------------------------------------------------


def _figures(
    home: Path, sizes: Sequence[int], more: Callable[[Path], Iterator[CityFigure]] | None
) -> Iterator[CityFigure]:
    make_sites(home / "one", 1)
    _run("-c", _COMMAND, "check", home / "one")  # leaves the bytecode
    bare = _run("-c", "import numpy, geopandas, pyproj")
    yield CityFigure("import of numpy, geopandas, pyproj", f"{bare.cpu_s:.2f} s")
    checked = _run("-c", _COMMAND, "check", home / "one")
    yield _over("check of one site", checked.cpu_s, bare.cpu_s, "import", "≤ 1.5 ×")
    alone = _build([home / "one"], home / "out-one")
    largest = sizes[-1]
    make_sites(home / "sites", largest)
    spent = {}
    for size in sizes:
        these = sorted((home / "sites").iterdir())[:size]
        out = home / f"out-{size}"
        spent[size] = _build(these, out)
        per_ms = 1e3 * (spent[size].cpu_s - alone.cpu_s) / max(size - 1, 1)
        yield CityFigure(
            f"{size:,} sites of one line, a line", f"{per_ms:.1f} ms", "imports left out", "≤ 25 ms"
        )
    peaks = ", ".join(f"{spent[n].peak_mb:.0f} MB at {n:,}" for n in sizes)
    yield CityFigure("peak memory", peaks, f"{alone.peak_mb:.0f} MB at one site", "flat")
    if len(sizes) > 1:
        less = [max(spent[n].cpu_s - alone.cpu_s, 1e-3) for n in sizes]
        yield CityFigure("growth with sites", f"n^{growth(sizes, less):.2f}", "", "n^1.0")
    these, record = sorted((home / "sites").iterdir()), home / f"out-{largest}"
    yield from _written(home, these, record, spent[largest], alone)
    yield from _shaped(home, alone)
    yield from _shown(home, record, largest)
    if more is not None:
        yield from more(record)


def _written(
    home: Path, sites: Sequence[Path], record: Path, one_worker: Spent, alone: Spent
) -> Iterator[CityFigure]:
    """Yield what building costs over writing, by two workers, and where one site changed."""
    write_s, read_s = _asked("bare_write", record, home / "bare")
    build_s = one_worker.cpu_s - alone.cpu_s
    yield _over(f"build of {len(sites):,} sites", build_s, write_s, "bare write", "≤ 5 ×")
    two = _build(sites, home / "out-two", workers=2)
    faster = f"{one_worker.wall_s / two.wall_s:.2f} × as fast"
    yield CityFigure("two workers over one, whole build", faster, "by the clock", "≥ 1.5 ×")
    kept = ("--cache", home / "kept")
    _build(sites, home / "out-kept", more=kept)
    with (sites[0] / "site.toml").open("a", encoding="utf-8") as file:
        file.write("\n# looked through again\n")
    again = _build(sites, home / "out-kept", more=(*kept, "--replace"))
    floor = write_s + read_s
    what = f"second build, one of {len(sites):,} sites changed"
    yield _over(what, again.cpu_s - alone.cpu_s, floor, "bare write and read back", "≤ 1.3 ×")


def _shaped(home: Path, alone: Spent) -> Iterator[CityFigure]:
    """Yield what one site of many lines costs, and lines of many stops."""
    _write(_many_lines(_LINES), home / "many")
    many = _build([home / "many"], home / "out-many")
    per_ms = 1e3 * (many.cpu_s - alone.cpu_s) / _LINES
    yield CityFigure(
        f"one site of {_LINES} lines, a line", f"{per_ms:.1f} ms", "imports left out", "≤ 20 ms"
    )
    link_s, once_s = _asked("link_over_adjustment", home / "many")
    what = "link of these lines, over two adjustments of each"
    yield _over(what, link_s, 2.0 * once_s, "two adjustments", "≤ 2 ×")
    largest = sum(1 for _ in (home / "sites").iterdir())
    stops = LONG[max(least for least in LONG if least <= largest)]
    took = []
    for count in stops:
        _write(_long_line(count), home / f"long-{count}")
        long = _build([home / f"long-{count}"], home / f"out-long-{count}")
        took.append(max(long.cpu_s - alone.cpu_s, 1e-3))
        what = f"one line of {count:,} stops"
        yield CityFigure(what, f"{took[-1]:.1f} s", f"peak {long.peak_mb:.0f} MB", "≤ 1 GB")
    yield CityFigure("growth with stops", f"n^{growth(stops, took):.2f}", "", "≤ n^1.2")


def _shown(home: Path, record: Path, size: int) -> Iterator[CityFigure]:
    """Yield what a page, a sheet and a drawing cost a site."""
    one = _run("-c", _COMMAND, "page", home / "out-one", "-o", home / "page-one", "--workers", 1)
    pages = _run("-c", _COMMAND, "page", record, "-o", home / "pages", "--workers", 1)
    files = [p.stat().st_size for p in (home / "pages").glob("site-*.html")]
    per_s = (pages.cpu_s - one.cpu_s) / max(size - 1, 1)
    beside = f"{np.mean(files) / 1e6:.2f} MB beside the script they share"
    yield CityFigure("page, a site", f"{per_s:.2f} s", beside, "≤ 0.10 s, 0.15 MB")
    ids = sorted(p.stem.removeprefix("site-") for p in (home / "pages").glob("site-*.html"))
    drawn = ids[: _DRAWN + 1]
    took = []
    for these in (drawn[:1], drawn):
        asked = [part for site_id in these for part in ("--site", site_id)]
        out = home / f"sheets-{len(these)}.pdf"
        took.append(_run("-c", _COMMAND, "sheet", record, "-o", out, "--together", *asked).cpu_s)
    per_s = (took[1] - took[0]) / max(len(drawn) - 1, 1)
    yield CityFigure("sheet, a site", f"{per_s:.2f} s", "one process", "≤ 0.5 s")
    one = _run("-c", _COMMAND, "export", home / "out-one", "-o", home / "one.dxf")
    all_of_it = _run("-c", _COMMAND, "export", record, "-o", home / "all.dxf")
    per_ms = 1e3 * (all_of_it.cpu_s - one.cpu_s) / max(size - 1, 1)
    yield CityFigure("DXF, a site", f"{per_ms:.1f} ms", "", "≤ 5 ms")


def _over(what: str, cpu_s: float, floor_s: float, floor: str, aim: str) -> CityFigure:
    beside = f"{cpu_s:.2f} s over {floor_s:.2f} s of {floor}"
    return CityFigure(what, f"{cpu_s / floor_s:.1f} ×", beside, aim)


# ---- commands -------------------------------------------------------------------------------


def _build(
    sites: Sequence[Path], out: Path, *, workers: int = 1, more: Sequence[object] = ()
) -> Spent:
    folder = sites[0].parent
    # by their folder where they are all in it: a command line holds no hundred thousand names
    whole = len(sites) > 1 and len(sites) == sum(1 for _ in folder.iterdir())
    asked = ("-o", out, "--workers", workers, "--quiet", *more)
    return _run("-c", _COMMAND, "build", *([folder] if whole else sites), *asked)


def _run(*arguments: object) -> Spent:
    """Run Python with these arguments; a command may end with findings, but not fail."""
    begun = perf_counter()
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(
            [sys.executable, *map(str, arguments)], stdout=said, stderr=said,
            stdin=subprocess.DEVNULL, env=_environment(),
        )  # fmt: skip
        _, status, used = os.wait4(process.pid, 0)  # with all the processes it waited for
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, 1):
            said.seek(0)
            text = said.read().decode(errors="replace")[-2000:]
            raise RuntimeError(f"exit code {process.returncode} of {arguments[1:4]}: {text}")
    unit = 1024.0**2 if sys.platform == "darwin" else 1024.0
    cpu_s = used.ru_utime + used.ru_stime
    return Spent(cpu_s, perf_counter() - begun, used.ru_maxrss / unit)


def _environment() -> dict[str, str]:
    """Return the environment of a process that finds the same lateralline.

    Bytecode is kept, as it is where lateralline was installed: else every process would compile
    all of it.
    """
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPATH": os.pathsep.join(sys.path)}


def _asked(name: str, *paths: Path) -> list[float]:
    """Return what a function of this module measures in a process of its own."""
    script = (
        "import json, sys; from pathlib import Path; from lateralline.proof import city; "
        "print(json.dumps(getattr(city, sys.argv[1])(*map(Path, sys.argv[2:]))))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, name, *map(str, paths)], capture_output=True, check=True,
        text=True, env=_environment(),
    )  # fmt: skip
    found: list[float] = json.loads(done.stdout.splitlines()[-1])
    return found


def bare_write(record: Path, out: Path) -> tuple[float, float]:
    """Return CPU seconds of writing a record's layers by pyogrio alone, and of reading them back.

    The GeoPackage, and the GeoJSON of each layer that the record has as such.
    """
    import pyogrio

    out.mkdir()
    gpkg = record / "asbuilt.gpkg"
    names = [str(name) for name, _ in pyogrio.list_layers(gpkg)]
    frames = {name: pyogrio.read_dataframe(gpkg, layer=name) for name in names}
    webs = {
        path.stem: pyogrio.read_dataframe(path)
        for path in sorted((record / "geojson").glob("*.geojson"))
    }
    pyogrio.write_dataframe(next(iter(frames.values())).head(1), out / "first.gpkg")  # loads GDAL
    begun = process_time()
    for name, frame in frames.items():
        pyogrio.write_dataframe(frame, out / "bare.gpkg", layer=name)
    for name, frame in webs.items():
        pyogrio.write_dataframe(frame, out / f"{name}.geojson", driver="GeoJSON")
    written = process_time()
    for name in frames:
        pyogrio.read_dataframe(out / "bare.gpkg", layer=name)
    for name in webs:
        pyogrio.read_dataframe(out / f"{name}.geojson")
    return written - begun, process_time() - written


def link_over_adjustment(site: Path) -> tuple[float, float]:
    """Return CPU seconds of the stage link of a site, and of adjusting each of its lines once.

    The first adjustments that link asks for are one of each line; they are done once more alone.
    """
    from lateralline.kernels.network import Adjusted
    from lateralline.link import search
    from lateralline.link.search import AdjustmentRequest
    from lateralline.stages import run_site

    asked: list[Sequence[AdjustmentRequest]] = []
    adjust = search.adjust_batch

    def noted(requests: Sequence[AdjustmentRequest]) -> list[Adjusted]:
        asked.append(requests)
        return adjust(requests)

    run_site(site, until="link")  # brings in all that is loaded once
    done: list[float] = []
    for until in ("solve", "link"):
        begun = process_time()
        search.adjust_batch = noted if until == "link" else adjust
        run_site(site, until=until)
        done.append(process_time() - begun)
    begun = process_time()
    adjust(asked[0])
    return done[1] - done[0], process_time() - begun


# ---- invented sites -------------------------------------------------------------------------


def make_sites(folder: Path, count: int) -> None:
    """Write so many invented sites of one line into a new folder, each with an id of its own."""
    scenario = SOUND["slope-levels"]
    drawn = []
    for n in range(min(count, _DISTINCT)):
        truth = scenario.build(np.random.default_rng([1, n]))
        drawn.append(_files(replace(truth, id="ID-OF-SITE"), n))
    folder.mkdir(parents=True)
    for n in range(count):
        site_id = f"CITY-{n:06d}"
        files = dict(drawn[n % len(drawn)])
        files["site.toml"] = files["site.toml"].replace("ID-OF-SITE", site_id)
        write_files(folder / site_id, files)


def _files(truth: Truth, seed: int) -> dict[str, str]:
    return files_of(survey(np.random.default_rng(seed), truth, standard_accuracy()))


def _write(truth: Truth, folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    write_files(folder, _files(truth, 1))


def _long_line(stops: int) -> Truth:
    """Return a site of one line with so many stops, a bend every thirty metres."""
    long = 2.5 * stops
    legs = [(30.0, 11.25 if n % 2 else -11.25) for n in range(int(long // 30.0))]
    return _surveyed([("L1", (0.0, 0.0), (*legs, (30.0, 0.0)), long)])


def _many_lines(count: int) -> Truth:
    """Return a site of so many lines side by side."""
    legs = ((8.0, 22.5), (16.0, 0.0))
    return _surveyed([(f"L{n + 1}", (15.0 * n, 0.0), legs, 21.0) for n in range(count)])


def _surveyed(
    lines: Sequence[tuple[str, tuple[float, float], tuple[tuple[float, float], ...], float]],
) -> Truth:
    rng, ground = np.random.default_rng(5), TrueGround(142.0, -0.0026, -0.0148, 0.02)
    made, runs = [], []
    for n, (line, start, legs, last_m) in enumerate(lines, start=1):
        plan = walk(start, 10.0, legs)
        bends = np.cumsum([length for length, _ in legs])[:-1]
        nodes = (f"CO{n}", *[""] * (len(plan) - 2), f"END{n}")
        axis = axis_below(ground, plan[::-1], depth_m=1.6, fall=0.015)
        made.append(TrueLine(line, axis, nodes[::-1], nominal="DN160 SN4"))
        stops = standstills(rng, bends, first_m=1.3, last_m=last_m, spacing_m=2.5)
        runs.append(TrueRun(f"R{n}", line, f"CO{n}", "with", stops))
    crew = Crew(kinds=("end_null", "mid_null"))
    return Truth("CITY", "Invented city", "EPSG:32617", "ellipsoidal", UTM_ANCHOR, ground,
                 tuple(made), tuple(runs), crew)  # fmt: skip
