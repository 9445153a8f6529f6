-- +goose Up

-- What the registry said of shops, models, units and fittings, change by change, for questions about what was known once. Like the rest of
-- the projection it can be deleted and built again from the feed.

create table p_versions (
  org_id uuid not null,
  sort smallint not null, -- of what: 1 a shop, 2 a model, 3 a unit, 4 a fitting
  id text collate "C" not null,
  number bigint not null, -- of the change in the registry's log
  changed timestamptz not null,
  body jsonb not null,
  constraint p_versions_pkey primary key (org_id, sort, id, number),
  constraint p_versions_sort_known check (sort between 1 and 4)
);

alter table p_versions enable row level security;
alter table p_versions force row level security;
create policy org on p_versions using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on p_versions to strandline_compliance;

-- Changes were read before this was kept: the projection is thrown away, and the feeds are read again from their beginning.
truncate clocks, holds_derived, p_entries, p_fittings, p_units, p_models, p_shops, cursors;
