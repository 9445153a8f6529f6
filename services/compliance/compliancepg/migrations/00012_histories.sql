-- +goose Up

-- A unit's entries, packed: dozens to a row, in the order they were told. Everything that is derived is derived from whole histories, and
-- reading those row by row took longer than deriving from them. A body is a sequence of entries in the code of entrycode.go; rows are only
-- appended to, and kept short enough to stay in their page.
create table p_histories (
  org_id uuid not null,
  unit_id uuid not null,
  segment integer not null,
  body bytea not null,
  constraint p_histories_pkey primary key (org_id, unit_id, segment)
) with (fillfactor = 60);
alter table p_histories alter column body set storage external;

-- Which entries were corrected, for those that arrive after their correction.
create table p_amendments (
  org_id uuid not null,
  corrects uuid not null,
  entry_id uuid not null,
  unit_id uuid not null,
  constraint p_amendments_pkey primary key (org_id, corrects, entry_id)
);

alter table p_histories enable row level security;
alter table p_histories force row level security;
create policy org on p_histories using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on p_histories to strandline_compliance;

alter table p_amendments enable row level security;
alter table p_amendments force row level security;
create policy org on p_amendments using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on p_amendments to strandline_compliance;

-- One row an entry was the other way to keep them. The projection is thrown away, and the feeds are read again from their beginning. A
-- replica that knows only the other way stops, rather than going on in the feeds without filling the histories.
drop table p_entries;
truncate clocks, holds_derived, p_fittings, p_units, p_models, p_shops, p_versions, cursors;
