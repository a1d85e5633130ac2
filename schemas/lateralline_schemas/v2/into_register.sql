-- Brings a record from schema "incoming" into the register in schema "asbuilt", by uid.
-- A table is made when it is first met, with uid as its primary key. Columns of your own that a
-- record brings are added. Rows that are there are updated, new ones inserted; what a site no more
-- has is deleted, of that site alone. Refused are an older version of a site than the register's,
-- and coordinates in another system than its own or in none: a database would take those for its
-- own. All of it happens, or nothing. Schema "incoming" stays as it is.
DO $$
DECLARE
  layer text;
  added record;
  names text;
  news text;
  stale text;
  strange text;
  counted bigint;
  touched bigint;
BEGIN
  CREATE SCHEMA IF NOT EXISTS asbuilt;
  CREATE TEMP TABLE coming ON COMMIT DROP AS SELECT DISTINCT site_id FROM incoming.lineage;
  SELECT string_agg(DISTINCT format('%s, not %s', i.srid, a.srid), '; ') INTO strange
  FROM geometry_columns i JOIN geometry_columns a ON i.f_table_name = a.f_table_name
  WHERE i.f_table_schema = 'incoming' AND a.f_table_schema = 'asbuilt' AND i.srid <> a.srid;
  IF strange IS NOT NULL THEN
    RAISE EXCEPTION 'coordinates are in the system EPSG:%; build with --crs', strange
    USING HINT = 'A sketch on axes of its own (0) has no place in a register.';
  END IF;
  FOR layer IN
    SELECT table_name FROM information_schema.columns
    WHERE table_schema = 'incoming' AND column_name = 'uid' ORDER BY table_name
  LOOP
    IF to_regclass(format('asbuilt.%I', layer)) IS NULL THEN
      EXECUTE format('CREATE TABLE asbuilt.%1$I (LIKE incoming.%1$I)', layer);
      EXECUTE format('ALTER TABLE asbuilt.%I DROP COLUMN IF EXISTS fid', layer);
      EXECUTE format('ALTER TABLE asbuilt.%I ADD PRIMARY KEY (uid)', layer);
      EXECUTE format('CREATE INDEX ON asbuilt.%I (site_id)', layer);
      IF EXISTS (SELECT FROM geometry_columns
                 WHERE f_table_schema = 'incoming' AND f_table_name = layer) THEN
        EXECUTE format('CREATE INDEX ON asbuilt.%I USING gist (geom)', layer);
      END IF;
    END IF;
    FOR added IN
      SELECT attname AS name, format_type(atttypid, atttypmod) AS type FROM pg_attribute
      WHERE attrelid = format('incoming.%I', layer)::regclass
        AND attnum > 0 AND NOT attisdropped AND attname <> 'fid'
        AND attname NOT IN (
          SELECT attname FROM pg_attribute
          WHERE attrelid = format('asbuilt.%I', layer)::regclass AND NOT attisdropped)
    LOOP
      EXECUTE format('ALTER TABLE asbuilt.%I ADD COLUMN %I %s', layer, added.name, added.type);
    END LOOP;
    FOR added IN  -- whole numbers of yours that are no more whole, which a database would round
      SELECT a.attname AS name FROM pg_attribute a JOIN pg_attribute i USING (attname)
      WHERE a.attrelid = format('asbuilt.%I', layer)::regclass
        AND i.attrelid = format('incoming.%I', layer)::regclass
        AND a.atttypid IN ('integer'::regtype, 'bigint'::regtype)
        AND i.atttypid = 'double precision'::regtype
    LOOP
      EXECUTE format('ALTER TABLE asbuilt.%I ALTER %I TYPE double precision', layer, added.name);
    END LOOP;
    SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum),
           string_agg(format('%1$I = excluded.%1$I', attname), ', ' ORDER BY attnum)
    INTO names, news FROM pg_attribute
    WHERE attrelid = format('incoming.%I', layer)::regclass
      AND attnum > 0 AND NOT attisdropped AND attname <> 'fid';
    IF layer = 'pipe_centreline' THEN
      SELECT string_agg(format('%s: %s after %s', site_id, new, old), ', ') INTO stale FROM (
        SELECT o.site_id, max(o.record_version) AS old, max(n.record_version) AS new
        FROM asbuilt.pipe_centreline o JOIN incoming.pipe_centreline n USING (site_id)
        GROUP BY o.site_id HAVING max(n.record_version) < max(o.record_version)) AS versions;
      IF stale IS NOT NULL THEN
        RAISE EXCEPTION 'the register holds later versions of these sites: %', stale;
      END IF;
    END IF;
    EXECUTE format(
      'DELETE FROM asbuilt.%1$I WHERE site_id IN (SELECT site_id FROM coming) '
      'AND uid NOT IN (SELECT uid FROM incoming.%1$I)', layer);
    GET DIAGNOSTICS counted = ROW_COUNT;
    EXECUTE format(
      'INSERT INTO asbuilt.%1$I (%2$s) SELECT %2$s FROM incoming.%1$I '
      'ON CONFLICT (uid) DO UPDATE SET %3$s', layer, names, news);
    GET DIAGNOSTICS touched = ROW_COUNT;
    RAISE NOTICE '%: % rows in, % that are no more deleted', layer, touched, counted;
  END LOOP;
END $$;
