"""Layers into files: each module one format, nothing put in place before it is whole.

Decisions, with reasons
-----------------------
DXF, KML, styles:

Everything in a drawing is in the plan's unit, so levels in metres are converted; degrees are
refused. The centreline is a 3-D polyline at the invert; segments are plan polylines, because
CAD does not dash 3-D ones. Code and name of the CRS stand in the note and in custom properties;
there is no GEODATA object, because a wrong one misleads silently. Site, line, kind and id stand on
every entity as extended data, the first three in the layer's name too: data are what a program
reads, names what a draughtsman freezes. Layers of an overlay that a record has too begin with
`overlay_`; both are drawn, since leaving one out would hide a zone. One record goes into a file,
with overlays in its CRS; a clearance of another record is refused. KML takes its coordinates from
the built GeoJSON, so both come by one operation, and drops heights; a GeoPackage that stands alone
is brought to WGS 84 by the published way from its own CRS, its areas widened by what that may be
off, and refused where nobody knows how much. Styles are declared once
(`styles.toml`) and refused when a rule names a column or value its layer lacks.

Write:

GeoPackage 1.3, because older desktop GIS warns at 1.4. A local sketch has srs_id −1 and no
GeoJSON. GeoJSON has seven decimals (0.01 m) and a third coordinate only for ellipsoidal
heights. With `SOURCE_DATE_EPOCH` set, equal inputs give equal bytes. GeoParquet and FlatGeobuf are
written on request alone, from the finished GeoPackage: they are for lakes and web maps, and would
double the size for everybody; equal GeoPackages give equal bytes of them.

Layers lie in a horizontal CRS, so that srs_id is its EPSG code: a compound or 3-D one has none in
most cases, gets an id of the file's own, and no spatial join in a database finds it. What levels
count from stands in `level_datum` and lineage. z is the site's level in metres, whatever the unit
of the plan or of the vertical CRS: it is then the number of the level columns; a file without a
vertical CRS cannot declare its unit, so one that never varies is the only one nobody need look
up; and sites in metres and in feet keep one unit in one batch. The price is that a 3-D length
taken in a grid of feet mixes units; `length_m` has it right. Who wants feet asks for a compound CRS
(`--crs EPSG:3734+6360`): then levels are transformed, z is in its unit, and lineage says so. Sites
on several level bases keep each its own z, which is a finding.

A record carries one ISO 19115-1 document of the whole file (`metadata`), read from its finished
layers (`described`); zones and clearance carry one too, whose lineage names the record by its hash
and whose quality is that record's. A figure of accuracy stands there only where every line has one.

The caution stands on every feature that guides digging (zones, corridors, conflicts and pairs,
planned works, what is not located, tapes), because features are copied singly. Elsewhere it stands
once a layer, in the declaration: in the GeoPackage as the layer's description, in GeoJSON as a
member of the collection, which the JSON Schema demands; a seventh of a record was that sentence.
"""
