-- Questions a register answers. Every current_LAYER holds what holds now, LAYER_as_of(day) what held
-- on a day; lengths are metres. Nothing found here is a clearance to dig: the local one-call service
-- and local codes come first, and pipes are proven by exposing them by hand or vacuum.

-- Length of pipe of each material.
SELECT coalesce(material, 'not known') AS material, count(*) AS lines,
       round(sum(length_m)::numeric, 2) AS length_m
FROM asbuilt.current_pipe_centreline
GROUP BY 1 ORDER BY length_m DESC;

-- Lines with less than 1.00 m of cover that can be counted on (lower bound, 95 %), and where.
SELECT DISTINCT ON (site_id, line_id) site_id, line_id, chainage_m, cover_m, cover_lower_95_m,
       st_astext(geom) AS place
FROM asbuilt.current_level_band
WHERE cover_lower_95_m < 1.00
ORDER BY site_id, line_id, cover_lower_95_m;

-- What the camera saw, by line.
SELECT site_id, line_id, code, count(*) AS times, min(chainage_m) AS first_at_m
FROM asbuilt.current_pipe_observations
GROUP BY 1, 2, 3 ORDER BY 1, 2, 3;

-- Corridors (95 %) that reach into a parcel, and the part of each inside, square metres. Put your
-- own table of parcels in place of the first four lines.
WITH parcels (parcel, geom) AS (
  VALUES ('QH 22', st_setsrid(st_makeenvelope(467196, 4660980, 467206, 4661002),
                              find_srid('asbuilt', 'position_corridor', 'geom')))
)
SELECT parcels.parcel, c.site_id, c.line_id,
       round(st_area(st_intersection(c.geom, parcels.geom))::numeric, 2) AS inside_m2
FROM asbuilt.current_position_corridor c
JOIN parcels ON st_intersects(c.geom, parcels.geom)
ORDER BY 1, 2, 3;

-- What came in, was followed by another version or was retracted since a day.
SELECT site_id, register_version, record_version, valid_from, valid_to, published_at, reason,
       CASE WHEN retracted_at IS NOT NULL THEN 'retracted'
            WHEN valid_to IS NOT NULL THEN 'followed by another'
            ELSE 'holds' END AS now
FROM asbuilt.site_versions
WHERE published_at >= DATE '2026-05-01' OR retracted_at >= DATE '2026-05-01'
ORDER BY site_id, register_version;

-- Lines as they are and as they were on a day: length, and how sure the least sure place is (95 %).
SELECT site_id, line_id, o.length_m AS length_then_m, n.length_m AS length_now_m,
       o.position_95_max_m AS position_then_95_m, n.position_95_max_m AS position_now_95_m
FROM asbuilt.pipe_centreline_as_of(DATE '2026-05-20') o
FULL JOIN asbuilt.current_pipe_centreline n USING (site_id, line_id)
WHERE o.register_version IS DISTINCT FROM n.register_version
ORDER BY 1, 2;

-- Laterals that meet the main SM-4, from its upstream access down: chainage along it with ± 95 %,
-- the side they come from and the angle.
SELECT m.site_id, m.line_id, c.service, round(m.chainage_m::numeric, 2) AS chainage_m,
       round((1.96 * m.chainage_sigma_m)::numeric, 2) AS chainage_95_m, m.side,
       round(m.angle_deg::numeric) AS angle_deg
FROM asbuilt.current_main_connections m
JOIN asbuilt.current_pipe_centreline c USING (site_id, line_id)
WHERE m.main_id = 'SM-4' AND m.meeting = 'meets'
ORDER BY m.chainage_m;
