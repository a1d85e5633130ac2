"""What lies over built records: hand-dig zones by any rule, and planned works against the pipes.

Reads built layers alone, never field records, and any number of sites at once. All is computed in
metres on the ground, a small region at a time, whatever CRS the layers are in (`record.ground`).

planned        planned works from the features of a plan: every fault of every feature at once
plan_files     features of vector files and drawings
drawing_units  what a drawing counts in, and what brings it to its CRS
as_built       the record's lines, legs from station to station, open ends, unlocated areas
to_record_crs  planned works in the record's CRS, and whether levels compare
separation     planned works as bodies; the closest approach of straight pipe to them
bounds         the lower 95 % bound of a separation, and probabilities
clearance      `Pair`: one line and one planned work, a row of `clearance_pairs`
files          an overlay's folder: GeoPackage, GeoJSON, dictionary
run            a whole comparison and its layers
zones          hand-dig zones by a rule
picture        either as a plan picture

Decisions, with reasons
-----------------------
Clearance:

A pipe piece is a capsule, a bore too; what is dug or driven is a prism open above, since the
ground over it is disturbed. Plan shapes with notches go into triangles, so every distance is
convex along a piece and golden sections find it. The bound takes 1.96 σ off at one or two
places; beside a long trench the stops err each on its own, and 5 % is shared among the places
half a segment apart (beside twenty stops 1.96 σ holds for 61 lines in 100, the shared bound for
97). Where plan and level each at their own bound leave more, that is the bound: past a datum
shift of metres a bore still runs above the pipe, and a σ along the one way between the closest
places had it 5.8 m inside. Where contact is less likely than the bound fails, the bound is not
below zero. Chances at such places are joined as independent, which is rather too much; with
positions more than a metre (1 σ) off they are not given, since other pipe than the two metres
each side may be met. A datum of several realizations (WGS 84) is no doubt of one record, but
between plan and record it is: reported, and taken in by `--shift-accuracy`. Past an open end
nothing bounds the pipe: what stands in the half circle ahead of it is a conflict. Levels count
only on one basis, and not when they are out of all measure with the ground (a metre above,
thirty below); then depths serve, then plan alone, as if the works reached every depth. Edges in
degrees are cut to 200 m, since a straight line on the map is none on the ground.

Dig zones:

Buffers are drawn on a plane of scale 1 at each 0.05°, always outside what they stand for:
corners, the drawn path's own 10 mm, a millimetre for vertices left out. Holes nobody can dig in
are filled, nothing is cut away.
"""
