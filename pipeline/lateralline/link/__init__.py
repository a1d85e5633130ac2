"""All fixes of a line, its counters and exposures, into one adjusted centreline.

gather        located points of each line: its stops, its exposures; `counters` that cannot be right
order         points from downstream to upstream, axes pointing upstream
places        each place once; stops of other runs set between the vertices
adjust        every line by itself: its shape (`shapes`, `selection`), which readings are wrong
              (`search`), and whether GNSS put some of it elsewhere (`shifts`)
joint         lines that touch (`branches`) as one network, errors they share unknown once
global_test   what contradicts itself too far to be drawn, and what stays undecided
paths         what is plausible over all shapes: paths drawn from the hypotheses of `path_filter`
result        back to lines, junctions and adjusted parameters; errors are those of the paths

Each step is a function from one frozen record (`lines`) to the next: points → `PreparedLine` →
`AdjustedLine` → `AdjustedNetwork` → `records.Line`. Findings come with the records and are put into
one ledger here; `gross_errors` says how large and how sure an error is. The mathematics:
`equations` and `network` (what is observed), `stochastic` (what is assumed of errors and at which
level tests refuse), `kernels.network` (the adjustment and its statistics).

Mathematics
-----------
Line. Lines that touch are one network (`network`). Unknown are the vertices (bends too), one
pipe direction per stop, scale and offset of each counter, the fraction of a leg at which a
junction or a stop of another run lies, and one value per error that fixes share: each control
point's east, north and level, what all GNSS positions have in common, the depth scale of each
receiver. Observed are the fixes with their 5×5 less what they share (`Fixes.shared`), plus the
axis accuracies (a crooked camera is not a crooked pipe); directions of legs, counter readings,
exposures, levels known at a counter. `equations` is nothing but indices, so many networks are
evaluated by the same calls of numpy, whitened block by block (sparse) and solved in stacks of
like size. Shapes are accepted only at α = 0.001 and called straight only where a bend would
have shown; between two directions where no bend is found the path is an arc of least curvature
(`derive/path.py`).

Decisions, with reasons
-----------------------
- One path is drawn, claims are made over all. The adjustment chooses shapes, names blunders and
  draws the line; its covariance holds only if those shapes are true, and pipe bends in sweeps,
  between stops, gently. So errors, corridor and levels come from paths drawn over every sequence
  of shapes, weighed by what the data say and how seldom a bend is (`paths`): second moments about
  the line that is drawn, so that a wrong choice of shape counts as an error too. A line whose
  numbers fail there keeps the adjustment's own claims.
- Nobody is accused of what a bend explains. A reading left out under the chosen shapes is an error
  where it is plainly over its limit; less plainly, or where few paths of a pipe that wanders widely
  take it for wrong, it is a warning that names stop and reading and says that the pipe may bend
  there; readings that tie likewise. One limit for both either accuses two lines of a hundred
  without an error or leaves half-metre blunders unnamed (`prove world`). A stop that three paths in
  ten hold for wrong has that warning too, whatever the adjustment made of it, and one beside which
  all others seemed shifted is blamed alone. By accuracies that a site's residuals say, only what is
  plainer still accuses. A stretch that no shape fits accuses the end that most paths hold for
  wrong, where no reading tests as wrong. A stop drawn outside its own 99.9 % ellipse, of which
  nothing else is said, is a warning.

Every line is adjusted by itself first; that gives shapes, starts and the likeliest blunders.
Then all that touch are adjusted once more with what they share.
- Searches are generators. Looking for blunders and bends is adjust, look, leave out, adjust
  again. Written as a generator that yields what it wants adjusted, a search reads like that;
  `search.run_searches` gathers what all lines of a site wait for and adjusts it in stacks.
- Shared errors are unknowns, not covariance between fixes: the same answer by Woodbury (a test
  holds them together), but the blocks stay small. Each set of lines has its own copy.
- Runs of one line are laid against each other by where their stops lie beside the longest's
  path; zero and scale of a counter follow from all of them together, and an outlier has little
  say (`order`). A zero slips by half a metre and scales differ by percents, so neither is
  trusted. For order alone stops count where they were solved: freed of its tilt prior a stop
  may stand a metre on. A run that lies the other way round than its flow says is named and left
  out, never turned: which of the two is wrong nobody can tell from here.
- Stops of two runs within 0.5 m, in plan or along the pipe, make one vertex; the other is an
  intermediate point, observed on the path (`places`). A leg of a few centimetres has no
  direction, and its ends may be in the wrong order. Vertices are by preference those of the run
  that stopped most often, whose counter then tells the lengths between them. What the
  adjustment puts past the end of its leg goes on to the next, or stays at the vertex when each
  leg says it is on the other (`joint.reassign_legs`); past the end of the line it goes straight
  on. Of 250 simulated lines of each kind (`prove lines --lines 2500 --seed 3`) none has a leg
  backwards.
- A blunder or a bend. Bends and blunders pay for their freedoms what chance alone would gain
  them, and the cheaper explanation is taken. One bend and one wrong stop are tried before a bend on
  either side of a stop; a contradiction is tried without each reading beside it, two of them
  without one reading at each: neighbours wrong alike accuse the stops beside them. Two
  explanations by different stops as good as each other leave all readings in. What came to
  nothing once the rest was left out is put back.
- Selection by the whole line. By itself a stretch knows the pipe's tilt at its ends to some 8°,
  so a drop passes for one bend. Each single bend, and each stretch nothing fits, is therefore
  weighed again with the line on both sides (`selection`); two bends take the place of one at α
  = 0.001, and what the line bears equally well is undecided.
- Steps. A small drop or offset leaves no reading wrong by much, but its leg is off the
  directions at both its ends the same way. That sum is tested for each straight stretch, across
  and up. At α = 0.0025 the stretch is undecided, yet adjusted as the straight it may be:
  setting the stops beside it free on a doubt would spoil more levels than it saves. At 0.001 it
  is set free. Where a wrong level and a drop beside it do equally well, the level stays: the
  pipe may be as shallow as was measured.
- Significance. α = 0.001 for positions and counters; 0.0002 for level, heading and tilt, and
  0.0001 for a turn at a stop, which are seldom wrong by themselves: a line has dozens of tests.
  A chord longer than its counter (α = 0.0002) is always an error, whatever the adjustment makes
  of it.
- Tilt prior. A fix carries the one it was solved under; link swaps it for a loose one, or 0 ±
  5° at every stop would pull lines level. A tilt that marks hardly tell, and one bad mark draws far
  off, is swapped by two of its new deviations at most: the stop would lie metres elsewhere.
- Wander is 1° between a stretch and the pipe at its end. Practice lines are dead straight, so
  their χ² is some 0.7 of its degrees of freedom.
- `counter_m` is the σ of one reading; slack grows along the cable. After an undecided stretch
  the counter starts a new offset.
- Counters that cannot be are reported before anything is ordered (`counters`): the longest chain of
  readings that can be neighbours is believed when it is more than half; a stop outside it that
  lies on the chain's path loses its reading and is placed by its marks. Readings off by one
  factor throughout order the stops and give no length. A ratio of two units is named, never
  undone.
- Two exposures at one place are used together when they agree. When not, neither counts as
  seen, and the point stands for either: their mean, with their spread in its covariance, so the
  line's own data pull it to the right one. What contradicts an exposure takes its band A away
  (`Line.contested`). One whose position the line rejects is no place of the pipe: the line is
  adjusted again without it, so it makes no node and parts no segment; the finding shows where it
  was measured, and by how much it misses.
- Size of a wrong position. A direction less sure than 0.5 m (1 σ), and along the pipe a point
  without counter, is reported as unknown.
- Junctions. The branch may enter up to 0.05 m (1 σ) above the parent's axis; the node of both
  lines is the parent's place. `at_counter` that the branch's last direction contradicts is left
  out, because a slip and a bend where nobody stopped look alike: the junction lies where the
  direction leads, its σ wide enough for both. Within 0.5 m aside a fitting may do it, and it is
  a warning.
- A bend with nothing left to test it, or known worse than 20° (1 σ), is undecided.
- Fittings. The nearest is named, and every other that explains the angle as well to 3.84 in χ²;
  geometry is constrained to one only where `bends = "standard"` asks, the bend lies within 3 σ of
  it and no other does as well, and what that moved is a finding. Both systems list every angle of
  the trade: a missing one makes its neighbour the nearest.
- χ² and degrees of freedom of a line are those of the set it hangs together with.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from lateralline.catalogue import Severity
from lateralline.findings import Finding, finding
from lateralline.isolate import without_culprits
from lateralline.link.adjust import adjust_line
from lateralline.link.branches import as_point, find, miss_finding
from lateralline.link.counters import check_counters, without_runs
from lateralline.link.gather import (
    gather_exposures,
    gather_fixes,
    gather_levels,
    without_far_points,
)
from lateralline.link.global_test import contradicted, gross_line, network_findings
from lateralline.link.gross_errors import (
    moved_stops,
    one_stop_rather,
    rejected_exposures,
    turned_stops,
    with_lengths,
)
from lateralline.link.joint import adjust_network, connected
from lateralline.link.learning import bend_evidence
from lateralline.link.lengths import impossible_lengths
from lateralline.link.lines import LocatedPoint, PreparedLine
from lateralline.link.order import order_points, oriented
from lateralline.link.places import merge_same_places, place_levels, split_intermediates
from lateralline.link.result import parameters, record_lines, turn_fixes
from lateralline.link.search import AdjustedLine, run_searches
from lateralline.link.stochastic import nonzero_accuracy
from lateralline.records import Exposures, Fixes, Floats, Linked, Solved
from lateralline.settings import Run, Settings

__all__ = ["link"]


def link(solved: Solved, exposures: Exposures, settings: Settings) -> Linked:
    """Return every line adjusted, downstream → upstream, and the fixes oriented the camera's way.

    A line needs two located points; one that has fewer yields a finding, not a line. So does one
    whose data contradict it grossly, or whose numbers fail: the others are adjusted without it.
    Findings hold every blunder, impossible chord, undecided shape and unmapped length.
    """
    settings = solved.claimed(settings)

    def work(left_out: Mapping[str, str]) -> Linked:
        linked, kept = _link(solved, exposures, settings, left_out), exposures
        told: list[Finding] = []
        while rejected := rejected_exposures(linked):
            told += rejected.values()
            kept = kept.pick(~np.isin(kept.name, [*rejected]))
            linked = _link(solved, kept, settings, left_out)
        return replace(linked, findings=(*told, *linked.findings))

    return without_culprits(work, _parents_first(settings, exposures))


def _link(
    solved: Solved, exposures: Exposures, settings: Settings, left_out: Mapping[str, str]
) -> Linked:
    """Link all lines but those left out because their numbers fail."""
    accuracy = nonzero_accuracy(settings.accuracy)
    ledger = [
        finding("line-not-located", f"line {line}", variant="not-adjusted", error=why)
        for line, why in left_out.items()
    ]
    prepared: list[PreparedLine] = []
    alone: dict[str, AdjustedLine] = {}
    for wave in _waves(settings, exposures):
        ready = [
            _prepare(line, solved.fixes, exposures, settings, alone)
            for line in wave
            if line not in left_out
        ]
        adjusted = run_searches(adjust_line(p, accuracy) for p in ready if p.points)
        denied = {one.id: gross_line(one) for one in adjusted}
        ledger += [f for p in ready for f in p.findings]
        ledger += [f for one in adjusted for f in denied[one.id] or one.findings]
        alone |= {one.id: one for one in adjusted if not denied[one.id]}
        prepared += ready
    networks = connected([*alone.values()])
    results = run_searches(adjust_network(network, settings) for network in networks)
    fits = [fit for one in results for fit in one.fits]
    contested = frozenset().union(
        *(p.contested for p in prepared),
        *({p.ref for p in one.line.points} for one in alone.values() if not one.agreed),
        *(contradicted(fit) for fit in fits),
    )
    turned_fixes = turn_fixes(solved.fixes, [*alone.values()], settings.runs)
    drawn = record_lines(fits, [*alone], turned_fixes, contested, settings)
    ledger = [one_stop_rather(f, drawn) for f in ledger]
    accused = {f.subject for f in solved.findings if f.code == "mark-blunder"}
    doubted = any(f.name == "misfit/accuracy" for f in solved.findings)
    for network, one in zip(networks, results, strict=True):
        ledger += network_findings(one, drawn, settings, accused, by_estimate=doubted)
        ledger += [f for line in network for f in miss_finding(line)]
    ledger += turned_stops(drawn, turned_fixes, ledger)
    ledger += moved_stops(drawn, turned_fixes, ledger)
    return Linked(
        turned_fixes,
        drawn,
        tuple(with_lengths(ledger)),
        parameters(fits, solved, settings),
        bend_evidence([line.paths for line in drawn if line.paths is not None], accuracy),
    )


def _prepare(
    line: str,
    fixes: Fixes,
    exposures: Exposures,
    settings: Settings,
    parents: Mapping[str, AdjustedLine],
) -> PreparedLine:
    """Gather, order and merge the points of a line; a branch's junction comes first.

    `parents`: the lines adjusted so far. Without points the line cannot be adjusted.
    """
    accuracy, width = nonzero_accuracy(settings.accuracy), fixes.shared.shape[2]
    runs = [r for r in settings.runs if r.line == line]
    branch = next((b for b in settings.branches if b.line == line), None)

    stops, findings = gather_fixes(line, fixes, settings)
    seen, unused = gather_exposures(line, exposures, width, settings)
    near, far = without_far_points(line, [*stops, *seen], _elsewhere(line, fixes, settings))
    known = check_counters(near, runs, accuracy)
    points, unclear = order_points(line, known.points, runs)
    names = [*(r.entry for r in runs), *(p.ref for p in seen)]
    places = merge_same_places(points, settings.accuracy, names)
    points, junction = places.points, None
    findings += [*unused, *far, *known.findings, *unclear, *places.findings]
    if points and branch is not None:
        junction, messages = find(branch, points, parents, settings)
        findings += messages
        if junction is not None:
            points = oriented([as_point(junction, branch, runs, settings), *points])
    if len(points) < 2:
        if not any(f.code == "line-not-located" for f in findings):
            findings.append(_not_located(line, points, surveyed=bool(runs)))
        return PreparedLine(line, (), (), None, tuple(findings), places.contested)

    points, intermediates = split_intermediates(points, runs)
    points = without_runs(points, known.order_only)
    of_intermediates = without_runs([r.point for r in intermediates], known.order_only)
    intermediates = [
        replace(r, point=p) for r, p in zip(intermediates, of_intermediates, strict=True)
    ]
    too_far, contested = impossible_lengths(points, of_intermediates, accuracy)
    findings += too_far
    through = {r.entry for r in settings.runs if r.line != line} if junction is not None else set()
    pushed = [r for r in runs if junction is None or r.entry not in {"", *through}]
    findings += _entry_findings(pushed, [*points, *of_intermediates])  # not through the main
    levels, off = place_levels(
        points, intermediates, gather_levels(line, exposures, width, settings)
    )
    findings += [
        finding("level-unused/off-line", p.subject, where=p.where, line=f"line {line}") for p in off
    ]
    return PreparedLine(
        line,
        tuple(points),
        (*intermediates, *levels),
        junction,
        tuple(findings),
        places.contested | contested,
    )


def _waves(settings: Settings, exposures: Exposures) -> list[list[str]]:
    """Line ids in waves: a line comes in a later one than the line it joins."""
    joins = {b.line: b.joins for b in settings.branches}
    waves: dict[str, int] = {}
    for line in _parents_first(settings, exposures):
        waves[line] = waves.get(joins.get(line, ""), -1) + 1
    return [[x for x in waves if waves[x] == w] for w in range(max(waves.values(), default=-1) + 1)]


def _parents_first(settings: Settings, exposures: Exposures) -> list[str]:
    """Line ids as the site names them, each after the line it joins."""
    named = [
        *(r.line for r in settings.runs),
        *(p.line for p in settings.pipes),
        *(str(x) for x in exposures.line if x),
    ]
    joins = {b.line: b.joins for b in settings.branches}
    out: list[str] = []

    def add(line: str, above: tuple[str, ...]) -> None:
        parent = joins.get(line)
        if parent is not None and parent in named and parent not in above:
            add(parent, (*above, line))
        if line not in out:
            out.append(line)

    for line in named:
        add(line, (line,))
    return out


def _elsewhere(line: str, fixes: Fixes, settings: Settings) -> Floats:
    """Where (n, 2) the stops of the site's other lines lie."""
    own = [run.id for run in settings.runs if run.line == line]
    there = fixes.solved & ~np.isin(fixes.run, own) & np.isfinite(fixes.xyz_m).all(axis=1)
    return fixes.xyz_m[there, :2]


def _not_located(line: str, points: Sequence[LocatedPoint], *, surveyed: bool) -> Finding:
    """A line with fewer than two points; an error where someone pushed a camera."""
    severity: Severity = "error" if surveyed else "warning"
    if not points:
        return finding("line-not-located/no-stop-located", f"line {line}", severity=severity)
    return finding(
        "line-not-located/one-stop",
        f"line {line}",
        severity=severity,
        where=points[0].where,
        point=points[0].subject,
        either_way=points[0].directed,
    )


def _entry_findings(runs: Sequence[Run], points: Sequence[LocatedPoint]) -> list[Finding]:
    """How much counted length lies between each run's entry and its first located point.

    Of a run whose counters say nothing, that nobody knows how much.
    """
    out = []
    for run in runs:
        stops = [p for p in points if p.of_run(run.id)]
        if stops and run.entry and not any(run.id in p.readings for p in points):
            if not any(p.kind == "exposure" and p.ref == run.entry for p in points):
                out.append(
                    finding(
                        "entry-not-located", f"run {run.id}", variant="uncounted", entry=run.entry
                    )
                )
            continue
        away = [
            abs(p.readings[run.id] - run.counter_at_entry_m) for p in points if run.id in p.readings
        ]
        if away and min(away) > 0.10:
            counted = min(away)
            entry = run.entry or "the entry"
            out.append(
                finding("entry-not-located", f"run {run.id}", entry=entry, counted_m=counted)
            )
    return out
