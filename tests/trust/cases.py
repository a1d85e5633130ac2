"""Every command that writes, with what it reads and what stands at its target before.

Paths are within a run's folder, which holds copies of the inputs (`Base`). `older` makes what a
replacement finds there: the same command, asked for something else.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.support.places import SAMPLES
from tests.support.village import make_village
from tests.trust.forked import run

#: All that is made at one time: equal inputs give equal bytes.
EPOCH: Final = {"SOURCE_DATE_EPOCH": "1778155200"}
#: Of what stood there before.
EARLIER: Final = {"SOURCE_DATE_EPOCH": "1746619200"}


@dataclass(frozen=True, slots=True)
class KilledCommand:
    """A command, and how it is judged."""

    name: str  # in the table
    command: str
    inputs: tuple[str, ...]  # of the base
    outs: tuple[str, ...]
    older: str = ""  # what made what is replaced; "" where the command replaces nothing
    edit: str = ""  # what the user changed of it since
    grows: tuple[str, ...] = ()  # files of the user's that the command adds to
    by_name: tuple[str, ...] = ()  # folders whose files are compared by name alone
    kills_a_run: int = 1  # before it may end

    @property
    def replaces(self) -> bool:
        """Whether it is tried over an output that is there."""
        return bool(self.older)


_SITES: Final = tuple(f"sites/S{n}/ids.csv" for n in range(8))
_PLAN: Final = "clearance R plan.geojson -o near --picture near.png"
_MATCH: Final = "match R register.geojson --id-column asset -o against --picture against.svg"
_CONNECT: Final = (
    "connect R --mains mains.geojson --id-column main --upstream-access from_access "
    "--downstream-access to_access --column diameter_mm=diameter_mm -o joined --picture joined.png"
)
_IMPORT: Final = (
    "import-points points.txt --crs EPSG:3734 --order pnezd --units us-ft "
    "--run R1:L1:CO1:with:1.15:0.10 -o QH-051 --surveyed"
)
_C: Final = KilledCommand
#: Those of short runs first.
CASES: Final = (
    _C("new", "new my-site --id MY-001 --units ft", (), ("my-site",)),
    _C("new --xlsx", "new book --xlsx --id MY-002", (), ("book.xlsx",)),
    _C("new --from", "new copy.xlsx --from site-with-ids", ("site-with-ids",),
         ("copy.xlsx", "copy.ids.csv")),
    _C("practice", "practice invented --scenario slope-levels --seed 7", (), ("invented",)),
    _C("upgrade", "upgrade old-names -o new-names", ("old-names",), ("new-names",)),
    _C("seal", "seal R --key my.key", ("R", "my.key"), ("R/seal.json",), "seal R --key my.key"),
    _C("seal --new-key", "seal --new-key own.key", (), ("own.key", "own.key.pub"),
         by_name=("own.key", "own.key.pub")),
    _C("import-points", f"{_IMPORT} 2026-05-06", ("points.txt",), ("QH-051",),
         f"{_IMPORT} 2026-05-05", "QH-051/site.toml"),
    _C("accept", "accept asked entry-not-located 'run R1' --by crew --reason dug --on 2026-06-01",
         ("asked",), ("asked/site.toml",)),
    _C("check --report", "check site --report said.txt", ("site", "sketch"), ("said.txt",),
         "check sketch --report said.txt", "said.txt"),
    _C("export .kml", "export R -o site.kml", ("R", "C"), ("site.kml",),
         "export C -o site.kml"),
    _C("export .dxf", "export R -o site.dxf", ("R",), ("site.dxf",),
         "export R -o site.dxf --scale 500"),
    _C("handover", "handover R --profile municipal -o town --format shapefile", ("R",),
         ("town",), "handover R --profile municipal -o town --format geojson"),
    _C("field-sheet", "field-sheet -o kerb.pdf", (), ("kerb.pdf",),
         "field-sheet -o kerb.pdf --stops 5"),
    _C("zones", "zones S --rule cga -o dig --picture dig.png", ("S",), ("dig", "dig.png"),
         "zones S --tolerance 1m -o dig --picture dig.png", "dig.png"),
    _C("clearance", f"{_PLAN} --required 0.3m", ("R", "plan.geojson"), ("near", "near.png"),
         f"{_PLAN} --required 1m"),
    _C("match", _MATCH, ("R", "register.geojson"), ("against", "against.svg"),
         f"{_MATCH} --register-sigma 0.2m"),
    _C("connect", _CONNECT, ("R", "mains.geojson"), ("joined", "joined.png"),
         f"{_CONNECT} --register-sigma 0.2m"),
    _C("build", "build site -o out", ("site", "sketch"), ("out",), "build sketch -o out",
         "out/DATA_DICTIONARY.md", ("site/ids.csv",)),
    _C("build --per-crs", "build site sketch -o out --per-crs", ("site", "sketch"),
         ("out/EPSG-32617", "out/local"), grows=("site/ids.csv",)),
    _C("draw", "draw S -o plan.png", ("S",), ("plan.png",), "draw S -o plan.png --terms us"),
    _C("ties", "ties S -o cards.pdf --tapes tapes.gpkg", ("S", "C"), ("cards.pdf", "tapes.gpkg"),
         "ties C --site QH-014 -o cards.pdf --tapes tapes.gpkg", "cards.pdf"),
    _C("page", "page S -o page.html", ("S",), ("page.html",), "page S -o page.html --note older",
         "page.html"),
    _C("page, a folder", "page S -o pages", ("S",), ("pages",), "page S -o pages --note older"),
    _C("update", "update site added -o june --build out --changes moved.gpkg",
         ("site", "added"), ("june", "out", "moved.gpkg"),
         "update site added-less -o june --build out --changes moved.gpkg",
         "out/DATA_DICTIONARY.md"),
    _C("sheet --crew", "sheet S -o crew.pdf --crew", ("S",), ("crew.pdf",),
         "sheet S -o crew.pdf --crew --paper letter"),
    _C("build, resumed", "build sites -o out --workers 1", ("sites", "sketch"), ("out",),
         "build sketch -o out", grows=_SITES, kills_a_run=3),
    _C("build --cache", "build sites -o out --workers 1 --cache kept", ("sites",), ("out",),
         "build sites/S1 -o out", grows=_SITES, by_name=("kept",), kills_a_run=2),
    _C("sheet", "sheet S -o sheet.pdf --paper A4", ("S",), ("sheet.pdf",),
         "sheet S -o sheet.pdf --paper letter"),
    _C("explain -o", "explain S R1/3 -o why.pdf", ("S",), ("why.pdf",),
         "explain S R1/2 -o why.pdf"),
    _C("build --workers 2", "build sites -o out --workers 2", ("sites",), ("out",),
         grows=_SITES),
    _C("sheet, a folder", "sheet C -o sheets --paper A4 --crew", ("C",), ("sheets",),
         "sheet C -o sheets --paper letter --crew"),
    _C("calibrate", "calibrate V -o learned.toml", ("V", "C"), ("learned.toml",),
         "calibrate V C -o learned.toml", "learned.toml"),
)  # fmt: skip

#: What a base holds that commands make, in order, each with the inputs it is made of.
_MADE: Final = {
    "R": "build site-with-ids -o R",
    "S": "build sketch -o S",
    "C": "build tape-ties slope-levels -o C",
    "V": "build village -o V --workers 1",
    "P": "build tape-ties slope-levels site-with-ids -o P --crs EPSG:32617",
    "J": "update site-with-ids added -o june --build J",
    "my.key": "seal --new-key my.key",
}
_OF_SAMPLES: Final = {
    "site": "gnss-bend-branch", "site-with-ids": "gnss-bend-branch", "sketch": "local-sketch",
    "asked": "gnss-bend-branch", "old-names": "gnss-bend-branch", "tape-ties": "tape-ties",
    "slope-levels": "slope-levels", "added": "added/gnss-bend-branch",
    "added-less": "added/gnss-bend-branch", "plan.geojson": "planned-works/quarry-plan.geojson",
    "register.geojson": "register/quarry-register.geojson",
    "mains.geojson": "register/quarry-mains.geojson", "points.txt": "survey-files/quarry-pnezd.txt",
}  # fmt: skip


class Base:
    """A folder with everything that cases read, made when the first case asks for it."""

    def __init__(self, folder: Path) -> None:
        """Begin with an empty folder."""
        self.folder = folder
        folder.mkdir(parents=True)

    def give(self, names: Iterable[str], home: Path) -> None:
        """Copy some of it into a run's folder."""
        for name in names:
            _copy(self._need(name), home / name)

    def _need(self, name: str) -> Path:
        path = self.folder / name
        if path.exists():
            return path
        if name in _OF_SAMPLES:
            _copy(SAMPLES / _OF_SAMPLES[name], path)
            self._altered(name, path)
        elif name in _MADE:
            for word in _MADE[name].split()[1:]:
                if word in _OF_SAMPLES or word == "village":
                    self._need(word)
            done = run(_MADE[name].split(), self.folder, self.folder / "apart", more=EPOCH)
            assert done.code in (0, 1), done.said
        elif name == "village":
            make_village(path, 24)
        elif name == "sites":
            for n in range(8):
                _copy(SAMPLES / "local-sketch", path / f"S{n}")
                _replace(path / f"S{n}" / "site.toml", 'id = "', f'id = "S{n}-')
                (path / f"S{n}" / "ids.csv").unlink()
        return path

    @staticmethod
    def _altered(name: str, path: Path) -> None:
        if name in ("site", "sketch"):
            (path / "ids.csv").unlink()
        elif name == "old-names":
            _replace(path / "observations.csv", "defect_severity", "severity")
        elif name == "added-less":
            _replace(path / "added.toml", "2026-05-13", "2026-05-14")


def _copy(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    (shutil.copytree if source.is_dir() else shutil.copyfile)(source, target)


def _replace(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{path}: no {old}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
