-- +goose Up

-- What was told of clocks, and what is needed to tell each change once. None of it is part of the projection: a rebuild leaves it
-- alone, and tells nothing again.

-- One row per org. Its lock serialises those who tell. told is up to when everything was told; registry and history are the positions
-- that the last look saw: while the projection is behind them, because it is being built again, nobody looks.
create table notice_heads (
  org_id uuid not null,
  number bigint not null,
  told timestamptz,
  registry bigint not null,
  history bigint not null,
  constraint notice_heads_pkey primary key (org_id),
  constraint notice_heads_number_positive check (number >= 0)
);

-- seen is when a unit was first derived; marked when it was last derived again, until somebody has looked at it.
create table notice_units (
  org_id uuid not null,
  unit_id uuid not null,
  seen timestamptz not null,
  marked timestamptz,
  constraint notice_units_pkey primary key (org_id, unit_id)
);
create index notice_units_marked on notice_units (org_id, marked, unit_id) where marked is not null;

-- Where each rule stood on each unit when it was last looked at, and what time will make of it: plan has the steps to come, next_change
-- is when the first takes effect. State 0 is a rule that does not run yet.
create table notice_states (
  org_id uuid not null,
  unit_id uuid not null,
  pack text collate "C" not null,
  rule text collate "C" not null,
  shop text not null,
  zone text not null,
  state smallint not null,
  blocking boolean not null,
  revision bigint not null,
  plan jsonb not null,
  next_change timestamptz,
  constraint notice_states_pkey primary key (org_id, unit_id, pack, rule)
);
create index notice_states_next on notice_states (org_id, next_change, unit_id, pack, rule) where next_change is not null;

-- How far the digests of a shop are: the next is of day; if it has ended, closed_* have the counts of its end. upto is the last notice
-- that was there at the digest before.
create table notice_shops (
  org_id uuid not null,
  shop text not null,
  zone text not null,
  day date not null,
  closed boolean not null,
  closed_blocking bigint not null,
  closed_due_soon bigint not null,
  upto bigint not null,
  blocking bigint not null,
  due_soon bigint not null,
  next_change timestamptz not null,
  constraint notice_shops_pkey primary key (org_id, shop)
);
create index notice_shops_next on notice_shops (org_id, next_change, shop);

create table notices (
  org_id uuid not null,
  number bigint not null,
  unit_id uuid not null,
  tag text not null,
  kind text not null,
  shop text not null,
  pack text not null,
  rule text not null,
  title text not null,
  from_state smallint not null, -- 0 if the rule did not run
  to_state smallint not null,
  blocking boolean not null,
  effective timestamptz not null,
  effective_on date not null,
  noticed timestamptz not null,
  due_on date,
  sentence text not null,
  constraint notices_pkey primary key (org_id, number)
);
create index notices_shop on notices (org_id, shop, number);

-- A digest has the notices of its shop after one number, up to and with another.
create table digests (
  org_id uuid not null,
  shop text collate "C" not null,
  day date not null,
  due timestamptz not null,
  after_number bigint not null,
  upto_number bigint not null,
  blocking bigint not null,
  due_soon bigint not null,
  made timestamptz not null,
  constraint digests_pkey primary key (org_id, shop, day)
);
create index digests_due on digests (org_id, due desc, shop);

alter table notice_heads enable row level security;
alter table notice_heads force row level security;
create policy org on notice_heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on notice_heads to strandline_compliance;

alter table notice_units enable row level security;
alter table notice_units force row level security;
create policy org on notice_units using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on notice_units to strandline_compliance;

alter table notice_states enable row level security;
alter table notice_states force row level security;
create policy org on notice_states using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on notice_states to strandline_compliance;

alter table notice_shops enable row level security;
alter table notice_shops force row level security;
create policy org on notice_shops using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on notice_shops to strandline_compliance;

alter table notices enable row level security;
alter table notices force row level security;
create policy org on notices using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on notices to strandline_compliance;

alter table digests enable row level security;
alter table digests force row level security;
create policy org on digests using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on digests to strandline_compliance;

-- Units are marked as they are derived: the projection is thrown away, and the feeds are read again from their beginning.
truncate clocks, holds_derived, p_entries, p_fittings, p_units, p_models, p_shops, cursors;
