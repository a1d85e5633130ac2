"""Why a figure of a record is what it is: what one spot rests on, by the record alone.

content   what is told of a spot: figures with their formula, tables, findings, where it all is from
refs      what a name means, and the explanation of that
things    everything that has a name: what tells of it, and what lies beside it
whole     everything at once, for a page; what lies beside is led to and told once
stop      a stop: its marks, how they were weighed, what they say by hand
in_short  what leads the explanation of a stop, line or finding: claim, grounds, doubts
by_hand   what a pencil gets from its marks, and how far from the record's that may be
finding   a finding: its figures, what they were held against, which of the record agree
found     what a finding was found by, as its row keeps it
statistic tests of a whole line: what of one the record alone gives again
along     what lies on a line: nodes, observations, places between
line      a line as a whole, and a run
exposure  an exposure: its chain of levels, and how the line agrees with it
fixed     a mark alone, control points, baselines, the site
segment   segments, shapes weighed, rules, and the turn at a bend
origin    which record this is, its frame, operations, accuracies, files and rules

Decisions, with reasons
-----------------------
Nothing is solved again and no site file is opened: who holds the record holds all that is told.
A figure that follows from others of the record by a formula is reckoned from those and held against
the record, and a difference is told. A position that least squares found follows from no formula of
a line; its marks, weights and residuals are told, what each adds to the misfit, and beside it what
a person with a pencil gets from the same marks, which must come near and need not agree: how near,
and why no nearer, stands with it.

Arithmetic is in metres, as all columns of a record are; what a person reads first is in the unit of
the crew. Every figure and table cites its sources by number: where the formula is from, and whether
that was read or is from memory, then files by row and hash, or columns of the record.
"""

from lateralline.explain.content import (
    ExplainedFigure,
    ExplainedSource,
    ExplainedTable,
    Explanation,
)
from lateralline.explain.refs import explain

__all__ = ["ExplainedFigure", "ExplainedSource", "ExplainedTable", "Explanation", "explain"]
