"""What the crew writes down of a line: site.toml, marks, stops, control and observations as files.

GNSS     2 cm in plan, 3 cm in level, each mark its own
Polar    compass and tape from bases beside the line, one for every 12 m: a compass has one error a
         base and day, of the 2° that the site states; bearings are read to half a degree
Taped    by turns offsets from a baseline, two ties and three, from control points along the line;
         control is shifted and turned as a whole, each point by what its sigma states
Counter  scale, slip and reading error as stated; a slack cable reads too much, each stop anew
Depth    scale and reading error as stated, from the receiver, which may be held up
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import atan2, degrees, hypot, sin
from pathlib import Path

import numpy as np

from lateralline.proof.world_marks import HEAVY, FoundMarks, find_marks, held_up_m
from lateralline.proof.world_truth import TrueSite, World, stream, true_site
from lateralline.records import Flags, Floats
from lateralline.settings import Accuracy, standard_accuracy

GNSS_SIGMA_M = (0.02, 0.03)  # plan, level
CONTROL_SIGMA_M = 0.03
BASE_EVERY_M, BASE_BESIDE_M = 12.0, (3.0, 6.0)
POINT_EVERY_M, POINT_BESIDE_M = 6.0, (2.5, 5.0)
LEAST_BASE_M = 4.0
SIGHTS = 3
RIDE_HEIGHT_M = 0.03
BLUNDER_M = 0.5
#: Of a line's stops those that a blunder may be of.
INNER = slice(2, -2)

Row = dict[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class SurveyedLine:
    """One line as written down, and what is true of it."""

    number: int
    site: TrueSite
    files: dict[str, str]
    stop_xyz_m: Floats  # (k, 3) of the transmitter
    depth_m: Floats  # (k,) below the ground
    sight_travel_m: Floats  # (s,) where the camera saw what `observations.csv` has
    bad_stops: frozenset[str]  # that have a mark of `HEAVY` errors, or the blunder
    blunder: str  # moved: all marks of that stop by half a metre; counter: its reading; ""
    moved_m: Floats  # (2,) by which they are moved


def survey_lines(
    seed: int, count: int, departure: World, blunders: bool = False
) -> Iterator[SurveyedLine]:
    """Yield `count` surveyed lines; equal seeds give equal ones.

    With `blunders` one stop of each, with two others on either side, is half a metre wrong: of
    lines by turns where its marks are, or what the counter read.
    """
    accuracy = standard_accuracy()
    sites = [true_site(seed, i, departure) for i in range(count)]
    found = find_marks(seed, sites, departure, accuracy)
    for i, site in enumerate(sites):
        kind = ("moved", "counter")[i % 2] if blunders else ""
        yield _LineParty(seed, i, site, departure, accuracy, kind).line(found)


@dataclass(frozen=True, slots=True)
class _LineParty:
    seed: int
    number: int
    site: TrueSite
    departure: World
    accuracy: Accuracy
    blunder: str

    def line(self, found: FoundMarks) -> SurveyedLine:
        own = found.line == self.number
        rows = slice(found.first[self.number], found.first[self.number + 1])
        stop, kind, heavy = found.stop[own], found.kind[own], found.heavy[own]
        xyz, depth = found.xyz_m[own], found.poses.depth_m[rows]
        bad = {str(s + 1) for s in stop[heavy]}
        rng = stream(self.seed, self.number, "blunder")
        wrong, moved = -1, np.zeros(3)
        if self.blunder:
            inner = range(len(self.site.travel_m))[INNER]
            wrong = int(rng.integers(inner.start, inner.stop))
            bad = {str(wrong + 1)}
            if self.blunder == "moved":
                towards = rng.uniform(0.0, 2.0 * np.pi)
                moved = BLUNDER_M * np.array([np.sin(towards), np.cos(towards), 0.0])
                xyz = xyz + np.where((stop == wrong)[:, None], moved, 0.0)
        measured, control = self._measured(xyz, heavy)
        marks = [
            {"mark": f"M{i + 1}", "run": "R1", "stop": str(s + 1), "kind": str(k)} | row
            for i, (s, k, row) in enumerate(zip(stop, kind, measured, strict=True))
        ]
        stops, sights, travel = self._readings(depth, wrong if self.blunder == "counter" else -1)
        if self.departure.steel_seen:
            for row, turned in zip(stops, found.turned[rows], strict=True):
                row["metal"] = "true" if turned else ""
        files = {
            "site.toml": self._settings(),
            "marks.csv": _csv(marks),
            "stops.csv": _csv(stops),
        }
        if sights:
            files["observations.csv"] = _csv(sights)
        if control:
            files["control.csv"] = _csv(control)
        return SurveyedLine(
            self.number,
            self.site,
            files,
            found.poses.xyz_m[rows],
            depth,
            travel,
            frozenset(bad),
            self.blunder,
            moved[:2],
        )

    def _settings(self) -> str:
        d = self.departure
        told = "".join(f"{key} = {value:.4f}\n" for key, value in d.told.items())
        receiver = "[receiver]\naerial_height = 0.0\n" if d.aerial_told else ""
        return (
            f'[site]\nid = "W{self.number}"\nname = "invented"\nsurveyed = 2026-05-06\n'
            '[crs]\nhorizontal = "local"\nvertical = "none"\n'
            '[units]\ntape = "m"\nlevel = "m"\ndepth = "m"\ncounter = "m"\npipe = "m"\n'
            f"[accuracy]\n{told}{receiver}"
            '[[pipe]]\nline = "L1"\nmaterial = "PVC"\nnominal = "DN110"\n'
            "inside_diameter = 0.1036\nwall = 0.0032\n"
            f'[[run]]\nid = "R1"\nline = "L1"\nentry = "CO1"\nflow = "{self.site.flow}"\n'
            f"transmitter_lag = {d.lag_m}\nride_height = {RIDE_HEIGHT_M}\n"
            '[dig]\nrule = "cga"\n'
        )

    # ---- counter and depth ----

    def _readings(self, depth_m: Floats, misread: int) -> tuple[list[Row], list[Row], Floats]:
        """Return stops and observations, and how far from the entry the latter are."""
        a, d = self.accuracy, self.departure
        rng = stream(self.seed, self.number, "counter")
        face = self.site.travel_m + d.lag_m
        seen = np.sort(rng.uniform(face[0], face[-1], SIGHTS))
        at = np.concatenate([face, seen])
        order = np.argsort(at)
        slip = np.empty_like(at)
        slip[order] = np.cumsum(
            rng.normal(size=len(at)) * a.counter_ratio * np.diff(at[order], prepend=0.0)
        )
        scale = rng.normal(1.0, a.counter_scale_ratio)
        slack = rng.uniform(0.0, rng.uniform(*d.slack_m), len(at))
        reading = scale * at + slip + a.counter_m * rng.normal(size=len(at)) + slack
        if misread >= 0:
            blunder = stream(self.seed, self.number, "blunder")
            reading[misread] += BLUNDER_M * blunder.choice((-1.0, 1.0), size=3)[-1]
        rng = stream(self.seed, self.number, "depth")
        day = rng.normal(1.0, a.depth_scale_ratio)
        from_receiver = depth_m + held_up_m(self.seed, self.number, d)
        sigma = np.maximum(a.depth_reading_ratio * from_receiver, a.depth_reading_min_m)
        shown = day * from_receiver + sigma * rng.normal(size=len(depth_m))
        stops = [
            {"run": "R1", "stop": str(i + 1), "counter": f"{c:.2f}", "depth_reading": f"{z:.2f}"}
            for i, (c, z) in enumerate(zip(reading, shown, strict=False))
        ]
        if not d.counted:
            return [row | {"counter": ""} for row in stops], [], np.zeros(0)
        sights = [
            {"run": "R1", "counter": f"{c:.2f}", "code": "CRACK", "text": "invented"}
            for c in reading[len(face) :]
        ]
        return stops, sights, seen

    # ---- marks ----

    def _measured(self, xyz_m: Floats, heavy: Flags) -> tuple[list[Row], list[Row]]:
        """Return the position cells of marks (n, 3), and the control points they rest on."""
        rng = stream(self.seed, self.number, "survey")
        match self.departure.method:
            case "gnss":
                wide = np.where(heavy, HEAVY, 1.0)[:, None] * (1.0, 1.0, 1.0)
                plan, level = GNSS_SIGMA_M
                put = xyz_m + wide * rng.normal(size=xyz_m.shape) * (plan, plan, level)
                return [
                    {
                        "method": "gnss",
                        "x": f"{x:.3f}",
                        "y": f"{y:.3f}",
                        "z": f"{z:.3f}",
                        "sigma_h": f"{plan}",
                        "sigma_v": f"{level}",
                    }
                    for x, y, z in put
                ], []
            case "polar":
                return self._polar(rng, xyz_m)
            case "taped":
                return self._taped(rng, xyz_m)
            case other:
                raise ValueError(f"no way of measuring is called {other!r}")

    def _beside(self, rng: np.random.Generator, every_m: float, aside_m: tuple[float, float],
                *, both: bool) -> Floats:  # fmt: skip
        """Return spots (c, 3) beside the line, on the ground; on both sides by turns or on one."""
        path, travel = self.site.path, self.site.travel_m
        length = travel[-1] - travel[0]
        count = max(int(np.ceil(length / every_m)), 1)
        at = travel[0] + length * (np.arange(count) + 0.5) / count
        if both:
            at = np.concatenate([[travel[0] - 0.5], at, [travel[-1] + 0.5]])
        heading = path.heading_rad[path.row(at)]
        side = np.where(np.arange(len(at)) % 2 == 0, 1.0, -1.0) if both else rng.choice((-1, 1))
        off = side * rng.uniform(*aside_m, len(at))
        right = np.stack([np.cos(heading), -np.sin(heading)], axis=-1)
        plan = path.at(at)[:, :2] + off[:, None] * right
        return np.concatenate([plan, self.site.ground_m(plan)[:, None]], axis=1)

    def _control(self, rng: np.random.Generator, points_m: Floats) -> list[Row]:
        """Return control as it is known: shifted and turned as a whole, by its sigma in all."""
        plan = points_m[:, :2]
        shift = rng.normal(size=2) * CONTROL_SIGMA_M / np.sqrt(2.0)
        arm = plan - plan.mean(axis=0)
        reach = max(float(np.sqrt((arm**2).sum(axis=1).mean())), 1.0)
        turn = rng.normal() * CONTROL_SIGMA_M / reach
        known = plan + shift + turn * np.stack([arm[:, 1], -arm[:, 0]], axis=-1)
        return [
            {"point": f"P{i + 1}", "x": f"{x:.3f}", "y": f"{y:.3f}", "z": f"{z:.3f}",
             "sigma_h": f"{CONTROL_SIGMA_M}", "sigma_v": "0.01"}
            for i, ((x, y), z) in enumerate(zip(known, points_m[:, 2], strict=True))
        ]  # fmt: skip

    def _taped_m(self, rng: np.random.Generator, length_m: float) -> str:
        a = self.accuracy
        sigma = hypot(a.tape_m, a.tape_ratio * length_m)
        return f"{length_m + rng.normal(0.0, sigma):.2f}"

    def _level(self, rng: np.random.Generator, level_m: float) -> str:
        return f"{level_m + rng.normal(0.0, self.accuracy.level_m):.2f}"

    def _polar(self, rng: np.random.Generator, xyz_m: Floats) -> tuple[list[Row], list[Row]]:
        base = self._beside(rng, BASE_EVERY_M, BASE_BESIDE_M, both=False)
        compass = rng.normal(0.0, self.accuracy.bearing_rad, len(base))
        rows = []
        for spot in xyz_m:
            off = spot[:2] - base[:, :2]
            i = int(np.linalg.norm(off, axis=1).argmin())
            bearing = degrees(atan2(off[i, 0], off[i, 1]) + compass[i])
            rows.append({
                "method": "polar",
                "base_from": f"P{i + 1}",
                "polar_distance": self._taped_m(rng, hypot(*off[i])),
                "polar_azimuth_deg": f"{round(2.0 * bearing) / 2.0 % 360.0:.1f}",
                "z": self._level(rng, spot[2]),
            })  # fmt: skip
        return rows, self._control(rng, base)

    def _taped(self, rng: np.random.Generator, xyz_m: Floats) -> tuple[list[Row], list[Row]]:
        points = self._beside(rng, POINT_EVERY_M, POINT_BESIDE_M, both=True)
        rows = []
        for n, spot in enumerate(xyz_m):
            off = spot[:2] - points[:, :2]
            near = np.linalg.norm(off, axis=1).argsort()
            apart = np.linalg.norm(points[near, :2] - points[near[0], :2], axis=1)
            near = near[(apart == 0.0) | (apart >= LEAST_BASE_M)][:3]
            i, j = near[:2].tolist()
            row = {"z": self._level(rng, spot[2])}
            base = points[j, :2] - points[i, :2]
            way = base / np.linalg.norm(base)
            aside = float(off[i, 0] * way[1] - off[i, 1] * way[0])
            opening = atan2(off[i, 0], off[i, 1]) - atan2(off[j, 0], off[j, 1])
            if n % 3 == 0 or (n % 3 == 1 and abs(sin(opening)) < 0.5):
                row |= {
                    "method": "offset",
                    "base_from": f"P{i + 1}",
                    "base_to": f"P{j + 1}",
                    "base_distance": self._taped_m(rng, float(off[i] @ way)),
                    "base_offset": self._taped_m(
                        rng, float(off[i, 0] * way[1] - off[i, 1] * way[0])
                    ),
                }
            else:
                used = near[: 1 + n % 3].tolist()
                row |= {"method": "ties", "ties": ";".join(
                    f"P{k + 1}:{self._taped_m(rng, hypot(*off[k]))}" for k in used)}  # fmt: skip
                row["side"] = "right" if aside > 0.0 else "left"
            rows.append(row)
        return rows, self._control(rng, points)


def write_site(line: SurveyedLine, folder: Path) -> Path:
    """Write a line's files into a folder of its own and return that."""
    place = folder / f"W{line.number}"
    place.mkdir()
    for name, text in line.files.items():
        (place / name).write_text(text, "utf-8")
    return place


def _csv(rows: Iterable[Row]) -> str:
    rows = list(rows)
    header = list(dict.fromkeys(key for row in rows for key in row))
    lines = [",".join(header), *(",".join(row.get(key, "") for key in header) for row in rows)]
    return "\n".join(lines) + "\n"
