"""One view of a built record: what every drawing, page, card, overlay and export reads.

layers   → products of the stages as Arrow tables and data frames, as the contract declares them
lineage  → where a record comes from: written as rows of `lineage`, read back as typed fields
assets   → what the owner's register says as columns; what of it is private
rows     → rows of the layers as frozen classes
ground   → metres on the ground for coordinates of a file, the one owner of ground scale
reading  → layers of a built file as they stand in it, by the names of today
view     → one site of a built GeoPackage: layers in ground metres, units, statements, cautions
profile  → heights of one line over chainage
ends     → open ends of located lines, and what a figure over a whole line leaves out
symbology → `styles.toml`, how layers look
summary  → what a technician reads after a run, in numbers

Decisions
- A drawing sees a record only through `view`. Its x, y are metres on the ground from a stated
  corner, whatever the file's CRS does to lengths: a grid is not the ground, and the grid of
  Web Mercator (EPSG:3857) is a third longer than the ground at middle latitudes.
- Scale of a grid and of a height is measured in `frames` and applied to a built file in `ground`
  alone: on one plane about a site for what is drawn, and for overlays, which hold plans against
  many sites at once, on a plane of PROJ's, true to scale, over each small region.
- Directions and covariances of a record count from the north of the site's own grid. In a file of
  another CRS `view` turns them to that file's north: ellipses lie on the map as they should.
- Columns of the users' own (`[asset]`) are declared for the time of one batch, once, by
  `contract.with_assets`: all that writes, describes and reads back asks `contract.load`. What is
  private is left out where a record is read to be shown (`reading`), not by each output.
- Names of lineage rows are strings in the file and are spelled in `lineage` alone.
"""

from pathlib import Path
from typing import Final

from lateralline.cautions import CAUTION

#: Name of the GeoPackage of a built record in its folder.
GEOPACKAGE: Final = "asbuilt.gpkg"

__all__ = ["CAUTION", "GEOPACKAGE", "geopackages_in"]


def geopackages_in(out: Path) -> list[Path]:
    """Return the GeoPackages of what `build` wrote: a folder's, a file itself, or one of each CRS.

    A folder of `--per-crs` holds a folder of each; of any other the one it should have is returned.
    """
    if not out.is_dir() or (out / GEOPACKAGE).exists():
        return [out / GEOPACKAGE if out.is_dir() else out]
    return sorted(out.glob(f"*/{GEOPACKAGE}")) or [out / GEOPACKAGE]
