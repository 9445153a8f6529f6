-- +goose Up

-- What compliance keeps of registry and history. Everything named p_* and the derived rows can be deleted and built again from
-- the feeds. There are no foreign keys between rows of different feeds: an entry may arrive before its unit.

-- One row per org and source: the number of the last change applied. Its lock serialises the appliers of an org.
create table cursors (
  org_id uuid not null,
  source smallint not null,
  number bigint not null,
  constraint cursors_pkey primary key (org_id, source),
  constraint cursors_source_known check (source in (1, 2)),
  constraint cursors_number_positive check (number >= 0)
);

create table p_shops (
  org_id uuid not null,
  shop text not null,
  display_name text not null,
  time_zone text not null,
  jurisdiction text not null,
  constraint p_shops_pkey primary key (org_id, shop)
);
create index p_shops_zone on p_shops (org_id, time_zone);

create table p_models (
  org_id uuid not null,
  model text not null,
  kind text not null,
  maker text not null,
  size text not null,
  attributes jsonb not null,
  constraint p_models_pkey primary key (org_id, model)
);

-- The first block is the registry's; the second is derived from it, the model and the fittings.
create table p_units (
  org_id uuid not null,
  unit_id uuid not null,
  tag text not null,
  model text not null,
  own_size text not null,
  attributes jsonb not null,
  manufactured_on date,
  manufactured_month boolean not null,
  commissioned_on date,
  commissioned_month boolean not null,
  retired timestamptz,
  placements jsonb not null,

  kind text not null default '',
  size text not null default '',
  shop text not null default '',
  host_id uuid,
  settled timestamptz,
  constraint p_units_pkey primary key (org_id, unit_id)
);
create index p_units_model on p_units (org_id, model);
create index p_units_kind on p_units (org_id, kind, shop, tag);
create index p_units_host on p_units (org_id, host_id) where host_id is not null;
create index p_units_settled on p_units (org_id, settled);

create table p_fittings (
  org_id uuid not null,
  fitting_id uuid not null,
  part_id uuid not null,
  host_id uuid not null,
  place text not null,
  fitted timestamptz not null,
  unfitted timestamptz,
  constraint p_fittings_pkey primary key (org_id, fitting_id)
);
create index p_fittings_part on p_fittings (org_id, part_id);
create index p_fittings_host on p_fittings (org_id, host_id);

-- The ledger's entries, as far as limits depend on them.
create table p_entries (
  org_id uuid not null,
  unit_id uuid not null,
  entry_id uuid not null,
  sequence bigint not null,
  occurred timestamptz not null,
  recorded timestamptz not null,
  kind smallint not null,
  dives bigint not null default 0,
  hours bigint not null default 0, -- nanoseconds
  fills bigint not null default 0,
  meter smallint not null default 0, -- 0 for an increment; otherwise which measure was read
  replaced boolean not null default false,
  replacement bigint not null default 0, -- the new meter's first reading, hours in nanoseconds
  activities text[] not null default '{}',
  outcome smallint not null default 0,
  marked_on date,
  marked_month boolean not null default false,
  condition text not null default '',
  pull boolean not null default false,
  corrects uuid,
  correct jsonb,
  constraint p_entries_pkey primary key (org_id, unit_id, entry_id),
  constraint p_entries_sequence_key unique (org_id, sequence)
);
create index p_entries_corrects on p_entries (org_id, corrects) where corrects is not null;
