"""Stage `place`: every mark and exposure into the site frame, with a full covariance.

What goes into a covariance: the error of control and of tape or compass, or of GNSS; for marks
the error of putting paint where the field showed its sign; and the error of the level. Errors
that several marks share (one control point, one unknown ground) are counted in each of them.
"""

from lateralline.place.stage import Placed, place

__all__ = ["Placed", "place"]
