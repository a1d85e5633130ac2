"""Tie cards: a spot on the pipe, and the tapes that find it again long after the paint is gone.

spots → what a tie starts from and leads to: nodes, observations and any chainage of a line; points
        to tape from, of the survey's control and of a file; lengths in the reader's unit
tapes → two tapes and a check for each spot, as words on a card and as lines of a layer

Tapes are stretched on the ground, so all of it works in ground metres (`record.view`).

Decisions, with reasons
-----------------------
A tape reads ground metres, so distances come from the grid's geodesic scale at the site and the
height factor of `lineage`, never from grid differences. The pair has the least σ of the
crossing; only the 24 nearest points are weighed, because pairs grow with the square. The check
is the point that would make a three-point adjustment best. Scatter is the longer half axis;
record and points count as independent, which is as a rule too wide. A chainage takes the worst
95 % of its segment, a bend no more than its reach allows.
"""
