"""How the layers look when desktop GIS opens the GeoPackage: declared once, written two ways."""

from lateralline.write.styles.declared import Area, Line, Point, Rule, Style, load_styles
from lateralline.write.styles.qml import qml
from lateralline.write.styles.sld import sld
from lateralline.write.styles.table import TABLE, write_styles

__all__ = [
    "TABLE",
    "Area",
    "Line",
    "Point",
    "Rule",
    "Style",
    "load_styles",
    "qml",
    "sld",
    "write_styles",
]
