"""Records in a PostGIS register, with every version of every site.

server    the way to a database; passwords never shown
declare   layers → tables with keys, checks, comments, from the schemas
prepare   a register made or brought up to date; groups of users and their rights
publish   records in, a site in a transaction
staged    their rows on the way: read once, copied for many sites at once
speed     how many rows a second that is, beside plain COPY
history   which versions there are; one taken back
versions  one version as drawings see a record; what moved between two, along its lines too
`views.sql` is what a register does itself, `questions.sql` what people ask it.

Decisions
- A version is the whole site. Rows of a record fit one another (lines name nodes, error bars come
  of one adjustment, `record_version` stands in every row), so that after a second visit hardly a
  row is as it was; keeping those few once would cost a comparison of all rows and joins that no
  foreign key could hold.
- When a version holds stands once, in `site_versions`, not in each row: ending one is an update of
  one row, and no index of shapes changes. Views `current_LAYER` and functions `LAYER_as_of(day)`
  join it. Days are the record's own `valid_from`, not days of publishing; when something came in
  is `published_at`. A correction that holds from the same day or before leaves the version it
  corrects with no day on which it held.
- Another version is what says something else: what a record was made with (`lineage` of programs
  and input files) does not count, so that a site built again from the same marks changes nothing.
- Coordinates are in one CRS, named when the register is made. A record in another is refused and
  not transformed here: σ and corridors widen with the operation, which is the build's to do.
- Whoever publishes may insert and end versions, never delete, and cannot change tables but for
  adding columns of the users' own, which a function of the owner does for them. Whole and other
  numbers of the users' own are one type: a key that was whole may become a fraction.
- Connections to mains are part of the version of a site they were found for, as the mains were
  that day. A record that comes again without them does not say that there are none.
- Private columns stay out unless asked for, as in everything that is made from a record.
"""
