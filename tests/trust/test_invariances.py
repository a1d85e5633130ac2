"""What does not depend on how a site is written down does not change with it.

A site is turned, moved, mirrored, booked in other units, in another order and under other names;
all that a record says of places, levels and σ stays, to a tenth of a millimetre, and regions to a
millimetre. Taped sites stand on axes of their own for that: in a grid the scale would change.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lateralline.records import Floats, Product
from lateralline.solve import solve
from lateralline.solve.batch import solve_batch
from lateralline.stages import SiteResult, run_site
from tests.solve.test_solve import settings as stop_settings
from tests.solve.test_solve import simulate
from tests.support.one_network import adjust
from tests.trust.made_otherwise import (
    SiteText,
    as_sketch,
    in_crs,
    in_unit,
    mirrored,
    moved,
    renamed,
    reordered,
    sample,
    turned,
)

SAME_M, SAME_REGION_M = 1e-4, 1e-3
SAME_RATIO = 1e-3  # of what is no length: χ², degrees, shares

#: Layers that are compared, by what names a row in them.
KEYS = {
    "transmitter_fixes": ("run_id", "stop_id"),
    "pipe_centreline": ("line_id",),
    "pipe_segments": ("line_id", "from_chainage_m"),
    "pipe_nodes": ("line_id", "chainage_m"),
    "pipe_observations": ("run_id", "counter_m"),
    "level_band": ("line_id", "chainage_m"),
}
REGIONS = ("position_corridor", "tolerance_zone")
#: Columns that turn with the axes: the ellipses they make are compared by their own axes.
OF_AXES = (
    "east_sigma_m", "north_sigma_m", "east_north_covariance_m2", "heading_deg",
    "ellipse_azimuth_deg",
)  # fmt: skip
#: Tapes are chosen by control, and the first of two equal ones by its row.
OF_CONTROL = ("tie_a_m", "tie_b_m")

Place: TypeAlias = Callable[[Floats], Floats]
Names: TypeAlias = Mapping[str, str]


def solved(site: SiteText, folder: Path) -> SiteResult:
    result = run_site(site.write(folder), until="derive")
    assert isinstance(result, SiteResult), result
    return result


@dataclass
class Compared:
    """Two results of one site, the second of it written down otherwise."""

    one: SiteResult
    other: SiteResult
    back: Place = lambda xyz: xyz  # from the second's axes to the first's, without the shift
    names: Names | None = None  # new name → old one

    def holds(
        self, *, leave: tuple[str, ...] = (), same_m: float = SAME_M,
        region_m: float = SAME_REGION_M,
    ) -> int:  # fmt: skip
        """Compare all; return how many numbers were, so that none is no success."""
        count = 0
        for name in KEYS:
            one, other = self._products(name)
            a, b = self._order(one, {}), self._order(other, self.names or {})
            assert len(a) == len(b), name
            for column in one.columns:
                was, now = one.columns[column], other.columns[column]
                if column in leave or np.asarray(was).dtype.kind != "f":
                    continue
                was, now = np.asarray(was, float)[a], np.asarray(now, float)[b]
                far = same_m if column.endswith("_m") else SAME_RATIO
                relative = 0.0 if column.endswith("_m") else SAME_RATIO
                np.testing.assert_allclose(
                    now, was, rtol=relative, atol=far, err_msg=f"{name}.{column}"
                )
                count += int(np.isfinite(was).sum())
            self._places(one, other, a, b)
        for name in REGIONS:
            self._regions(*self._products(name), region_m)
        return count

    def _products(self, layer: str) -> tuple[Product, Product]:
        return tuple(
            next(p for p in r.work["products"] if p.layer == layer) for r in (self.one, self.other)
        )  # type: ignore[return-value]

    def _order(self, product: Product, names: Names) -> list[int]:
        def key(i: int) -> tuple[object, ...]:
            cells = (product.columns[c][i] for c in KEYS[product.layer])
            return tuple(
                names.get(str(c), str(c)) if isinstance(c, str) else float(c) for c in cells
            )

        return sorted(range(len(product.geometry)), key=key)

    def _local(self, result: SiteResult, geometry: object) -> shapely.Geometry:
        """A shape about the first control point or mark, which moves with the site."""
        control = result.work["record"].control
        if len(control.point):
            at = np.argmin(np.hypot(control.x - control.x.mean(), control.y - control.y.mean()))
            local = result.work["placed"].frame.to_local(control.x, control.y, control.z_m)[at]
        else:
            local = result.work["placed"].marks.xyz_m.mean(axis=0)
        return shapely.transform(
            geometry,
            lambda xyz: xyz - np.nan_to_num(local)[: xyz.shape[1]] * [1, 1, 0][: xyz.shape[1]],
            include_z=shapely.has_z(geometry),
        )

    def _places(self, one: Product, other: Product, a: list[int], b: list[int]) -> None:
        for i, j in zip(a, b, strict=True):
            was, now = one.geometry[i], other.geometry[j]
            if was is None or was.is_empty:
                assert now is None or now.is_empty
                continue
            was = shapely.get_coordinates(self._local(self.one, was), include_z=True)
            now = self.back(shapely.get_coordinates(self._local(self.other, now), include_z=True))
            np.testing.assert_allclose(now, was, rtol=0.0, atol=SAME_M, err_msg=one.layer)

    def _regions(self, one: Product, other: Product, region_m: float) -> None:
        assert len(one.geometry) == len(other.geometry) > 0

        def order(p: Product, names: Names) -> list[int]:
            lines = [names.get(str(n), str(n)) for n in p.columns["line_id"]]
            return sorted(range(len(lines)), key=lambda i: (lines[i], p.geometry[i].area))

        for i, j in zip(order(one, {}), order(other, self.names or {}), strict=True):
            was, now = (
                shapely.force_2d(self._local(r, p.geometry[n]))
                for r, p, n in ((self.one, one, i), (self.other, other, j))
            )
            now = shapely.transform(now, lambda xy: self.back(np.c_[xy, 0.0 * xy[:, 0]])[:, :2])
            apart = shapely.hausdorff_distance(was, now)
            assert apart < region_m, f"{one.layer}: {apart:.4f} m"


def by_turn(degrees: float) -> Place:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return lambda xyz: np.asarray(xyz @ turn)


def mirror(xyz: Floats) -> Floats:
    return np.asarray(xyz * [-1.0, 1.0, 1.0])


@pytest.fixture(scope="module", params=["local-sketch", "slope-levels", "tape-ties"])
def sketch(request: pytest.FixtureRequest) -> SiteText:
    """A taped site that stands on axes of its own."""
    site = sample(request.param)
    return site if request.param == "local-sketch" else as_sketch(site)


@settings(max_examples=2)
@given(st.floats(1.0, 359.0))
def test_turned(sketch: SiteText, tmp_path_factory: pytest.TempPathFactory, degrees: float) -> None:
    folder = tmp_path_factory.mktemp("turned")
    one, other = solved(sketch, folder / "one"), solved(turned(sketch, degrees), folder / "other")
    assert Compared(one, other, by_turn(degrees)).holds(leave=OF_AXES + OF_CONTROL) > 200


@settings(max_examples=2)
@given(st.floats(-900.0, 900.0), st.floats(-900.0, 900.0))
def test_moved(
    sketch: SiteText, tmp_path_factory: pytest.TempPathFactory, east: float, north: float
) -> None:
    folder = tmp_path_factory.mktemp("moved")
    one, other = solved(sketch, folder / "one"), solved(moved(sketch, east, north), folder / "b")
    assert Compared(one, other).holds() > 200


def test_mirrored(sketch: SiteText, tmp_path: Path) -> None:
    one, other = solved(sketch, tmp_path / "one"), solved(mirrored(sketch), tmp_path / "other")
    assert Compared(one, other, mirror).holds(leave=OF_AXES + OF_CONTROL) > 200


@pytest.mark.parametrize("unit", ["m", "ft", "us-ft", "in", "cm"])
def test_in_other_units(sketch: SiteText, unit: str, tmp_path: Path) -> None:
    one, other = solved(sketch, tmp_path / "one"), solved(in_unit(sketch, unit), tmp_path / "other")
    assert Compared(one, other).holds() > 200


def test_a_grid_counted_in_another_unit(tmp_path: Path) -> None:
    site = sample("tape-ties")  # NAD83 / Ohio North: EPSG:3734 in US survey feet, EPSG:32123 in m
    other = in_crs(in_unit(site, "m"), "EPSG:32123", 1200 / 3937)
    one = solved(site, tmp_path / "one")
    assert Compared(one, solved(other, tmp_path / "other")).holds() > 200


@settings(max_examples=2)
@given(st.randoms(use_true_random=False))
def test_in_another_order(tmp_path_factory: pytest.TempPathFactory, random: object) -> None:
    folder = tmp_path_factory.mktemp("order")
    for name in ("slope-levels", "gnss-bend-branch"):
        site = sample(name)

        def order(n: int) -> list[int]:
            return random.sample(range(n), n)  # type: ignore[attr-defined,no-any-return]

        one, other = solved(site, folder / "one"), solved(reordered(site, order), folder / "b")
        assert Compared(one, other).holds(leave=OF_CONTROL) > 200


@pytest.mark.parametrize("name", ["tape-ties", "gnss-bend-branch"])
def test_under_other_names(name: str, tmp_path: Path) -> None:
    site = sample(name)
    stops = {str(n): f"s{50 - n}" for n in range(1, 12)}
    names = {
        "run": {"R1": "Z9", "R2": "A2"},
        "line": {"L1": "lower", "L2": "Branch"},
        "stop": stops,
        "point": {"HOUSE-SW": "zz", "HOUSE-SE": "b", "FENCE": "aa"},
    }
    back = {new: old for of_kind in names.values() for old, new in of_kind.items()}
    one, other = solved(site, tmp_path / "one"), solved(renamed(site, names), tmp_path / "other")
    assert Compared(one, other, names=back).holds() > 200


@settings(max_examples=2)
@given(st.floats(-900.0, 900.0), st.floats(-900.0, 900.0))
def test_moved_within_a_zone(
    tmp_path_factory: pytest.TempPathFactory, east: float, north: float
) -> None:
    """A kilometre in UTM changes the scale by 1e-7 here, a few µm of the site."""
    folder = tmp_path_factory.mktemp("zone")
    site = sample("gnss-bend-branch")
    one, other = solved(site, folder / "one"), solved(moved(site, east, north), folder / "b")
    assert Compared(one, other).holds() > 200


# ---- what is sure never makes less sure ------------------------------------------------------


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(1, 4), st.floats(1e-3, 10.0))
def test_an_exact_observation_widens_no_network(seed: int, more: int, sigma: float) -> None:
    """σ of others are about 1: a millionth of that beside them would be lost in rounding."""
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(12, 5))
    x, q = rng.normal(size=5), rng.uniform(0.1, 2.0, 12)
    observed = a @ x + rng.normal(size=12)
    one = adjust(lambda p: (a @ p - observed, a), q, np.zeros(5))
    rows = np.concatenate([a, rng.normal(size=(more, 5))])
    exact = np.concatenate([observed, rows[12:] @ one.x])
    wider = np.concatenate([q, np.full(more, sigma**2)])
    other = adjust(lambda p: (rows @ p - exact, rows), wider, np.zeros(5))
    np.testing.assert_allclose(other.x, one.x, atol=1e-7)
    assert np.linalg.eigvalsh(one.cov - other.cov).min() > -1e-9


@settings(max_examples=8)
@given(st.integers(0, 2**16), st.sampled_from(["peak_total", "end_null"]))
def test_an_exact_mark_widens_no_stop(seed: int, kind: str) -> None:
    """Marks without errors of a level transmitter lie where the fix of the others puts them.

    Nearly: the mean of a fix over what it may be as well lies centimetres off, and weights go with
    it, so a hundredth of the variance is allowed.
    """
    few = ["end_null", "mid_null"]
    marks, stops, _ = simulate(4, [*few, "peak_total"], seed, quiet=True, tilt_deg=0.0)
    whole, first = np.isin(marks.kind, [*few, kind]), np.zeros(len(marks.kind), np.bool_)
    first[np.unique(np.char.add(marks.stop, marks.kind), return_index=True)[1]] = True
    less = whole & first if kind == "end_null" else np.isin(marks.kind, few)
    one = solve(marks.doubting(~less), stops, stop_settings()).fixes
    other = solve(marks.doubting(~whole), stops, stop_settings()).fixes
    assert one.solved.all()
    assert other.solved.all()
    for was, now in zip(one.cov[:, :3, :3], other.cov[:, :3, :3], strict=True):
        size = np.sqrt(np.diag(was))
        assert np.linalg.eigvalsh((was - now) / np.outer(size, size)).min() > -1e-2


# ---- in whatever pieces -----------------------------------------------------------------------


def test_pieces_of_the_work_change_no_bit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = sample("gnss-bend-branch")
    whole = solved(site, tmp_path / "site")
    for module, few in (("level_band", 3_000), ("advice", 50), ("corridor", 5_000)):
        monkeypatch.setattr(import_module(f"lateralline.derive.{module}"), "_AT_ONCE", few)
    same(whole, solved(site, tmp_path / "site"))


def test_stops_by_other_numbers_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """To 10 µm: the last bits of a sine hang on where in the array it stands; threads do not."""
    site = sample("gnss-bend-branch")
    whole = solved(site, tmp_path / "site")
    monkeypatch.setattr(import_module("lateralline.solve.covariance"), "CHUNK", 7)
    made = []
    for threads in (1, 3):
        monkeypatch.setattr(solve_batch, "__defaults__", (5, threads))
        made.append(solved(site, tmp_path / "site"))
    same(*made)
    assert Compared(whole, made[0]).holds(same_m=1e-5, region_m=1e-4) > 200


def same(whole: SiteResult, pieces: SiteResult) -> None:
    for one, other in zip(whole.work["products"], pieces.work["products"], strict=True):
        for column, was in one.columns.items():
            assert repr(list(was)) == repr(list(other.columns[column])), f"{one.layer}.{column}"
        if one.geometry is not None:
            assert list(shapely.to_wkb(one.geometry)) == list(shapely.to_wkb(other.geometry))


_RUN = """
import pickle, sys
from pathlib import Path
from lateralline.stages import run_site
result = run_site(Path(sys.argv[1]), until="derive")
pickle.dump(result, sys.stdout.buffer)
"""


def test_threads_of_the_blas(tmp_path: Path) -> None:
    """Unless the environment says otherwise there is one, to the bit; several agree to 1 nm."""
    site = sample("gnss-bend-branch").write(tmp_path / "site")

    def by(threads: str) -> SiteResult:
        own = {f"{name}_NUM_THREADS": threads for name in ("OPENBLAS", "OMP", "MKL")}
        without = {k: v for k, v in os.environ.items() if k not in own}
        environment = {**without, **own} if threads else without
        command = [sys.executable, "-c", _RUN, str(site)]
        done = subprocess.run(command, env=environment, capture_output=True, check=True)
        result = pickle.loads(done.stdout)
        assert isinstance(result, SiteResult)
        return result

    one, many = by("1"), by("2")
    same(one, by(""))
    assert Compared(one, many).holds(same_m=1e-9, region_m=1e-9) > 200
