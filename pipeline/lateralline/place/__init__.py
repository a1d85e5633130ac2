"""Stage `place`: every mark and exposure into the site frame, with a full covariance.

What goes into a covariance: the error of control and of tape or compass, or of GNSS; for marks
the error of putting paint where the field showed its sign; and the error of the level. Errors
that several marks share (one control point, one unknown ground) are counted in each of them.

Decisions, with reasons
-----------------------
Each baseline's computed length is a finding, so the crew can hold it against the tape; control
out of proportion is a warning (a typed digit turned a whole trial site by 90°, and every
residual was zero). σ of a taped distance is tape_m + tape_ratio × length (the sum; a worst case
rather than quadrature). Control without σ: `gnss_m` in plan, `level_m` in level. Ground marks
have no placing error. A mark without level stands at the mean of the known levels, with
`unknown_ground_m` and their spread as σ. Two ties that cannot meet are not placed; three or
more are adjusted, and with one spare tie the finding says that the culprit cannot be told.
"""

from lateralline.place.stage import Placed, place

__all__ = ["Placed", "place"]
