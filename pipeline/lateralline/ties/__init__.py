"""Tie cards: a spot on the pipe, and the tapes that find it again long after the paint is gone.

spots   → nodes, observations, and any chainage of a line, on the ground
points  → what tapes may be hooked to: the survey's control, and more from a file
tapes   → two tapes and a check for each spot, and what a card says
layer   → the tapes as lines of a GeoPackage or GeoJSON; measure → lengths in the reader's unit

Tapes are stretched on the ground, so all of it works in ground metres (`record.ground`).

Decisions, with reasons
-----------------------
A tape reads ground metres, so distances come from the grid's geodesic scale at the site and the
height factor of `lineage`, never from grid differences. The pair has the least σ of the
crossing; only the 24 nearest points are weighed, because pairs grow with the square. The check
is the point that would make a three-point adjustment best. Scatter is the longer half axis;
record and points count as independent, which is as a rule too wide. A chainage takes the worst
95 % of its segment, a bend no more than its reach allows.
"""
