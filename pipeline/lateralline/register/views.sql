-- What a register asks of itself: made once by its owner, and anew whenever tables change.

-- Makes the view of what holds now and the function of what held on a day, of one layer, from the
-- columns its table has. Columns come in the order of the table, so that new ones stand last.
CREATE OR REPLACE FUNCTION asbuilt.make_views(layer text) RETURNS void
LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
  names text;
  current text := 'current_' || layer;
  one record;
  as_of text := layer || '_as_of';
  source text;
BEGIN
  SELECT string_agg(format('t.%I', attname), ', ' ORDER BY attnum) INTO names
  FROM pg_attribute
  WHERE attrelid = format('asbuilt.%I', layer)::regclass AND attnum > 0 AND NOT attisdropped
    AND attname NOT IN ('uid', 'register_version', 'valid_from', 'valid_to');
  source := format(
    'SELECT t.uid, t.register_version, v.valid_from, v.valid_to, %s FROM asbuilt.%I t '
    'JOIN asbuilt.site_versions v USING (site_id, register_version) ', names, layer);
  EXECUTE format('CREATE OR REPLACE VIEW asbuilt.%I AS %s WHERE v.valid_to IS NULL',
                 current, source);
  EXECUTE format('COMMENT ON VIEW asbuilt.%I IS %L', current,
                 obj_description(format('asbuilt.%I', layer)::regclass, 'pg_class'));
  FOR one IN  -- valid_from and valid_to are those of the version in the register
    SELECT v.attname, coalesce(
      CASE WHEN v.attname NOT IN ('valid_from', 'valid_to')
           THEN col_description(l.attrelid, l.attnum) END,
      col_description(s.attrelid, s.attnum)) AS words
    FROM pg_attribute v
    LEFT JOIN pg_attribute l
      ON l.attrelid = format('asbuilt.%I', layer)::regclass AND l.attname = v.attname
    LEFT JOIN pg_attribute s
      ON s.attrelid = 'asbuilt.site_versions'::regclass AND s.attname = v.attname
    WHERE v.attrelid = format('asbuilt.%I', current)::regclass AND v.attnum > 0
  LOOP
    EXECUTE format('COMMENT ON COLUMN asbuilt.%I.%I IS %L', current, one.attname, one.words);
  END LOOP;
  EXECUTE format(
    'CREATE OR REPLACE FUNCTION asbuilt.%I(day date) RETURNS SETOF asbuilt.%I '
    'LANGUAGE sql STABLE AS %L', as_of, current,
    source || 'WHERE v.valid_from <= day AND (v.valid_to IS NULL OR v.valid_to > day)');
END $$;

-- Adds a column of the users' own to every layer that has the columns of their register. It runs
-- with the rights of the register's owner, so that who publishes needs none to change tables.
CREATE OR REPLACE FUNCTION asbuilt.add_own_column(name text, kind text, words text) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
  layer text;
BEGIN
  IF name !~ '^asset_[a-z0-9_]{1,56}$' OR kind NOT IN ('text', 'double precision', 'boolean', 'date')
  THEN
    RAISE EXCEPTION 'no column of the users'' own: % %', name, kind;
  END IF;
  PERFORM pg_advisory_xact_lock(hashtextextended('asbuilt.add_own_column', 0));
  FOR layer IN
    SELECT relname FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid
    WHERE relnamespace = 'asbuilt'::regnamespace AND relkind = 'r' AND attname = 'asset_id'
      AND NOT EXISTS (SELECT FROM pg_attribute o WHERE o.attrelid = c.oid AND o.attname = name)
    ORDER BY 1
  LOOP
    EXECUTE format('ALTER TABLE asbuilt.%I ADD COLUMN %I %s', layer, name, kind);
    EXECUTE format('COMMENT ON COLUMN asbuilt.%I.%I IS %L', layer, name, words);
    PERFORM asbuilt.make_views(layer);
  END LOOP;
END $$;
REVOKE EXECUTE ON FUNCTION asbuilt.add_own_column, asbuilt.make_views FROM PUBLIC;
