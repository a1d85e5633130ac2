"""A drawing for CAD: the layers of a built GeoPackage as DXF, in plan units, to a plot scale."""

from lateralline.write.dxf.drawing import write_dxf
from lateralline.write.dxf.text import plain

__all__ = ["plain", "write_dxf"]
