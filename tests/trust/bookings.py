"""Mistakes of booking: what was read is right and stands in a wrong row, or under a wrong name."""

from __future__ import annotations

import datetime

import numpy as np

from lateralline.simulate.survey import Row
from tests.trust.catalogue import (
    AT_CONTROL,
    AT_COUNTER,
    AT_DEPTH,
    AT_STOP,
    AT_TAPE,
    at_mark,
    at_reading,
    at_row,
    exchanged,
    has,
    in_one_mark,
    in_one_stop,
    marks_at,
    mistake,
    pick,
    stop_of,
    stops_of,
)
from tests.trust.sites import SiteTables, Slip

SITE_FILE = Slip((), (("site.toml", -1),))
FAULT = "fault"  # the files are refused, and the row is named
POSITION = ("method", "x", "y", "z", "sigma_h", "sigma_v", "base_from", "base_to", "base_distance",
            "base_offset", "polar_distance", "polar_azimuth_deg", "ties", "side")  # fmt: skip


def _next_stop(site: SiteTables, rng: np.random.Generator) -> tuple[int, int] | None:
    """Return the rows of a stop and of the next of its run."""
    pairs = [
        (i, i + 1)
        for i in range(len(site.stops) - 1)
        if site.stops[i]["run"] == site.stops[i + 1]["run"]
    ]
    return pairs[int(rng.integers(len(pairs)))] if pairs else None


def _exchange(site: SiteTables, i: int, j: int, columns: tuple[str, ...]) -> None:
    one, other = site.marks[i], site.marks[j]
    for c in columns:
        if c in one or c in other:
            one[c], other[c] = other.get(c, ""), one.get(c, "")


# ---- sides --------------------------------------------------------------------------------------


def _turn_offset(row: Row) -> None:
    text = row["base_offset"]
    row["base_offset"] = text[1:] if text.startswith("-") else f"-{text}"


@mistake("offset-side-mark", "One offset is booked on the wrong side of the baseline.", *AT_TAPE)
def offset_side_mark(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return in_one_mark(site, rng, "base_offset", _turn_offset)


@mistake("offset-side-stop", "All offsets of a stop are booked on the wrong side.", *AT_TAPE)
def offset_side_stop(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return in_one_stop(site, rng, "base_offset", _turn_offset)


@mistake("offset-side-all", "Every offset of the site is booked on the wrong side.",
         *AT_TAPE, "misfit/site")  # fmt: skip
def offset_side_all(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = [r for r in site.marks if r.get("base_offset")]
    for row in rows:
        _turn_offset(row)
    at = {p for r in rows for p in (r["base_from"], r["base_to"])}
    names = {name for r in rows for name in (stop_of(r), r["mark"])}
    return Slip((*at, *names)) if rows else None


@mistake("ties-side-mark", "The side of two ties is wrong at one mark.", *AT_TAPE)
def ties_side_mark(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return in_one_mark(site, rng, "side", _other_side)


@mistake("ties-side-stop", "The side of two ties is wrong at every mark of a stop.", *AT_TAPE)
def ties_side_stop(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return in_one_stop(site, rng, "side", _other_side)


def _other_side(row: Row) -> None:
    row["side"] = {"left": "right", "right": "left", "": ""}[row.get("side", "")]


@mistake("base-turned-mark", "base_from and base_to are exchanged at one mark.", *AT_TAPE)
def base_turned_mark(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return in_one_mark(site, rng, "base_to", lambda row: exchanged(row, "base_from", "base_to"))


@mistake("base-turned-all", "base_from and base_to are exchanged at every mark.",
         *AT_TAPE, "misfit/site")  # fmt: skip
def base_turned_all(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = [r for r in site.marks if r.get("base_to")]
    names: set[str] = set()
    for row in rows:
        exchanged(row, "base_from", "base_to")
        names |= {row["base_from"], row["base_to"], stop_of(row), row["mark"]}
    return Slip(tuple(names)) if rows else None


@mistake("ties-exchanged", "Two tied distances of a mark stand at each other's point.", *AT_TAPE)
def ties_exchanged(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = pick(rng, site.marks, has("ties"))
    if i is None:
        return None
    ties = [tie.split(":") for tie in site.marks[i]["ties"].split(";")]
    ties[0][1], ties[1][1] = ties[1][1], ties[0][1]
    site.marks[i]["ties"] = ";".join(map(":".join, ties))
    return at_mark(site, i)


# ---- rows and names -----------------------------------------------------------------------------


@mistake("stops-exchanged", "The marks of two neighbouring stops are booked under each other.",
         *AT_STOP, "stop-order", "counters-exchanged", "counter-wrong")  # fmt: skip
def stops_exchanged(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    pair = _next_stop(site, rng)
    if pair is None:
        return None
    one, other = (stop_of(site.stops[i]) for i in pair)
    a, b = (site.stops[i]["stop"] for i in pair)
    first, second = marks_at(site, one), marks_at(site, other)
    for i in first:
        site.marks[i]["stop"] = b
    for i in second:
        site.marks[i]["stop"] = a
    return Slip((one, other))


@mistake("counters-exchanged", "The counters of two neighbouring stops are exchanged.",
         *AT_COUNTER)  # fmt: skip
def counters_exchanged(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    pair = _next_stop(site, rng)
    if pair is None:
        return None
    a, b = (site.stops[i] for i in pair)
    a["counter"], b["counter"] = b["counter"], a["counter"]
    return Slip((stop_of(a), stop_of(b)), tuple(("stops", i) for i in pair))


@mistake("marks-exchanged", "Two marks of a stop, an end null and the mid null, are exchanged.",
         *AT_STOP)  # fmt: skip
def marks_exchanged(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = pick(rng, site.marks, lambda r: r["kind"] == "mid_null")
    assert i is not None
    ends = [
        j for j in marks_at(site, stop_of(site.marks[i])) if site.marks[j]["kind"] == "end_null"
    ]
    if not ends:
        return None
    j = int(rng.choice(ends))
    _exchange(site, i, j, POSITION)
    slip = at_mark(site, i)
    return Slip((*slip.at, site.marks[j]["mark"]), (("marks", i), ("marks", j)))


@mistake("marks-exchanged-stops", "Two marks of neighbouring stops are exchanged.", *AT_STOP)
def marks_exchanged_stops(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    pair = _next_stop(site, rng)
    if pair is None:
        return None
    i, j = (int(rng.choice(marks_at(site, stop_of(site.stops[k])))) for k in pair)
    _exchange(site, i, j, POSITION)
    return Slip((*at_mark(site, i).at, *at_mark(site, j).at), (("marks", i), ("marks", j)))


@mistake("mark-to-neighbour", "One mark is booked to the neighbouring stop.", *AT_STOP)
def mark_to_neighbour(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    pair = _next_stop(site, rng)
    if pair is None:
        return None
    one, other = (site.stops[i] for i in pair)
    i = int(rng.choice(marks_at(site, stop_of(one))))
    site.marks[i]["stop"] = other["stop"]
    return Slip((stop_of(one), stop_of(other), site.marks[i]["mark"]), (("marks", i),))


@mistake("marks-to-neighbour", "All marks of a stop are booked to the neighbouring stop.", *AT_STOP)
def marks_to_neighbour(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    pair = _next_stop(site, rng)
    if pair is None:
        return None
    one, other = (site.stops[i] for i in pair)
    rows = marks_at(site, stop_of(one))
    for i in rows:
        site.marks[i]["stop"] = other["stop"]
    return Slip((stop_of(one), stop_of(other)), tuple(("marks", i) for i in rows))


@mistake("end-as-mid", "An end null is named a mid null.", *AT_STOP)
def end_as_mid(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _kind(site, rng, "end_null", "mid_null")


@mistake("mid-as-end", "A mid null is named an end null.", *AT_STOP)
def mid_as_end(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _kind(site, rng, "mid_null", "end_null")


@mistake("peak-as-mid", "A peak is named a mid null.", *AT_STOP)
def peak_as_mid(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    peaks = {r["kind"] for r in site.marks} & {"peak_total", "peak_axial"}
    return _kind(site, rng, min(peaks), "mid_null") if peaks else None


@mistake("end-as-peak", "An end null is named a peak.", *AT_STOP)
def end_as_peak(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _kind(site, rng, "end_null", "peak_total")


def _kind(site: SiteTables, rng: np.random.Generator, was: str, put: str) -> Slip | None:
    i = pick(rng, site.marks, lambda r: r["kind"] == was)
    if i is None:
        return None
    site.marks[i]["kind"] = put
    return at_mark(site, i)


@mistake("kind-misspelt", "The kind of a mark is misspelt.", FAULT)
def kind_misspelt(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _kind(site, rng, "end_null", "end_nul")


@mistake("comma", "One number has a decimal comma where the others have points.", FAULT)
def comma(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = pick(rng, site.stops, has("counter"))
    assert i is not None
    site.stops[i]["counter"] = site.stops[i]["counter"].replace(".", ",")
    return at_reading(site, i)


@mistake("depths-a-row-down", "Depth readings are booked one row too low.", *AT_DEPTH,
         "misfit", "receiver-scale")  # fmt: skip
def depths_a_row_down(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    read = [r["depth_reading"] for r in site.stops]
    for row, depth in zip(site.stops, ["", *read[:-1]], strict=True):
        row["depth_reading"] = depth
    return Slip()


@mistake("depths-exchanged", "The depth readings of two neighbouring stops are exchanged.",
         *AT_DEPTH)  # fmt: skip
def depths_exchanged(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    pair = _next_stop(site, rng)
    if pair is None:
        return None
    a, b = (site.stops[i] for i in pair)
    a["depth_reading"], b["depth_reading"] = b["depth_reading"], a["depth_reading"]
    return Slip((stop_of(a), stop_of(b)))


@mistake("row-twice", "One row of the marks is there twice.", FAULT, "mark-duplicate")
def row_twice(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = int(rng.integers(len(site.marks)))
    site.marks.insert(i + 1, dict(site.marks[i]))
    return Slip(at_mark(site, i).at, (("marks", i), ("marks", i + 1)))


@mistake("row-twice-renamed", "One mark is booked twice, under two names.",
         FAULT, "mark-duplicate", "measurements-copied", *AT_STOP)  # fmt: skip
def row_twice_renamed(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = int(rng.integers(len(site.marks)))
    twice = {**site.marks[i], "mark": site.marks[i]["mark"] + "bis"}
    site.marks.insert(i + 1, twice)
    return Slip((*at_mark(site, i).at, twice["mark"]), (("marks", i), ("marks", i + 1)))


@mistake("mid-row-missing", "The row of a mid null is missing.", "stop-weak", *AT_STOP)
def mid_row_missing(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = pick(rng, site.marks, lambda r: r["kind"] == "mid_null")
    assert i is not None
    slip = at_mark(site, i)
    del site.marks[i]
    return Slip(slip.at)


@mistake("stop-misspelt", "A mark names a stop that does not exist.", FAULT)
def stop_misspelt(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = int(rng.integers(len(site.marks)))
    slip = at_mark(site, i)
    site.marks[i]["stop"] += "0"
    return slip


@mistake("run-copied", "A run is entered twice, under another id.", "measurements-copied")
def run_copied(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    site.settings["run"].append({**site.settings["run"][0], "id": "R9"})
    again = [{**r, "run": "R9"} for r in site.stops if r["run"] == "R1"]
    marks = [{**r, "run": "R9", "mark": f"C{r['mark']}"} for r in site.marks if r["run"] == "R1"]
    site.stops.extend(again)
    site.marks.extend(marks)
    return Slip(("R9", "R1", *(stop_of(r) for r in again)))


@mistake("stop-copied", "The marks of a stop are entered once more as those of the next.",
         "measurements-copied", *AT_STOP)  # fmt: skip
def stop_copied(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    pair = _next_stop(site, rng)
    if pair is None:
        return None
    one, other = (site.stops[i] for i in pair)
    kept = [r for r in site.marks if stop_of(r) != stop_of(other)]
    copied = [
        {**r, "stop": other["stop"], "mark": f"C{r['mark']}"}
        for r in site.marks
        if stop_of(r) == stop_of(one)
    ]
    site.tables["marks"] = kept + copied
    return Slip((stop_of(one), stop_of(other)))


# ---- exposures, control, runs -------------------------------------------------------------------


@mistake("exposure-of-other-line", "An opened cleanout is booked to another line and its run.",
         "blunder", "exposure-disagrees", "point-astray", "shape-undecided",
         "junction-doubtful", "level-unused", "counter-wrong", "line-not-located")  # fmt: skip
def exposure_of_other_line(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    runs = {r["id"]: r["line"] for r in site.settings["run"]}
    if not site.exposures or len(runs) < 2:
        return None
    i = int(rng.integers(len(site.exposures)))
    row = site.exposures[i]
    row["run"] = next(r for r in runs if r != row["run"])
    row["line"] = runs[row["run"]]
    return at_row(site, "exposures", i)


@mistake("points-exchanged", "The coordinates of two control points are exchanged.",
         *AT_CONTROL)  # fmt: skip
def points_exchanged(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if len(site.control) < 3:
        return None
    i, j = rng.choice(len(site.control), 2, replace=False).tolist()
    one, other = site.control[i], site.control[j]
    one["point"], other["point"] = other["point"], one["point"]
    return Slip((one["point"], other["point"], *stops_of(site), *(r["mark"] for r in site.marks)))


@mistake("flow-wrong", "The flow of a run is given the wrong way.", "stop-order/flow", "back-fall",
         "flow-by-levels")  # fmt: skip
def flow_wrong(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    run = site.settings["run"][0]
    run["flow"] = "against" if run["flow"] == "with" else "with"
    return Slip((run["id"], run["line"]))


@mistake("parent-wrong", "A branch is said to join by the run of the branch itself.",
         FAULT, "junction-doubtful")  # fmt: skip
def parent_wrong(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if "branch" not in site.settings:
        return None
    branch = site.settings["branch"][0]
    branch["line"], branch["joins"] = branch["joins"], branch["line"]
    return Slip((branch["line"], branch["joins"]), (("site.toml", -1),))


@mistake("junction-counter", "The counter at the junction is 3 m off.", "junction-doubtful")
def junction_counter(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if "branch" not in site.settings:
        return None
    branch = site.settings["branch"][0]
    branch["at_counter"] = round(branch["at_counter"] + float(rng.choice((-3.0, 3.0))), 2)
    return Slip((branch["line"], branch["joins"]))


@mistake("run-on-other-line", "A run is booked to the other line.", "junction-doubtful",
         "line-not-located", "point-astray", "counter-wrong", "blunder", "stop-order",
         "misfit/line", "shape-undecided/contradiction")  # fmt: skip
def run_on_other_line(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    runs = site.settings["run"]
    if len(runs) < 2:
        return None
    runs[1]["line"] = runs[0]["line"]
    return Slip((runs[1]["id"], runs[0]["line"], *stops_of(site)))


@mistake("observation-beyond", "An observation is booked at a counter beyond the end of the run.",
         "observation-not-located")  # fmt: skip
def observation_beyond(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = site.tables["observations"]
    if not rows:
        return None
    i = int(rng.integers(len(rows)))
    rows[i]["counter"] = f"{float(rows[i]['counter']) + 100.0:.2f}"
    return Slip((), (("observations", i),))


@mistake("day-ahead", "The day of the survey lies in the future.", FAULT)
def day_ahead(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    site.settings["site"]["surveyed"] = datetime.date(2126, 5, 6)
    return SITE_FILE


@mistake("day-past", "The day of the survey is a year too early.")
def day_past(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    site.settings["site"]["surveyed"] = datetime.date(2025, 5, 6)
    return SITE_FILE
