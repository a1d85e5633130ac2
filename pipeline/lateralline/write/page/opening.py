"""What the plan of a page shows when it opens, and what control it leaves out."""

from __future__ import annotations

from typing import Final

from lateralline.write.picture.scene import Scene, off_the_lines

#: Control is in view when no farther off than so many of the site's greater sides.
_SIDES: Final = 1.0


def opening(scene: Scene) -> tuple[float, float, float, float]:
    """Return the box the plan opens with: the site, and all control not far beyond it."""
    return scene.box_with(scene.control_within(_SIDES))


def left_out(scene: Scene) -> str:
    """Say which control points are not in that box; "" for none."""
    control = scene.layers["control_points"]
    far = control[~control.index.isin(scene.control_within(_SIDES).index)]
    off = off_the_lines(far, scene.layers["pipe_centreline"].geometry)
    said = [
        f"{point}, {scene.length(metres, both=True)} {way} of the pipe"
        for point, (metres, way) in zip(far["point"], off, strict=False)
    ]
    return "; outside the opening view: " + "; ".join(said) if said else ""
