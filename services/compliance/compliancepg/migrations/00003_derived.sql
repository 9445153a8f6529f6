-- +goose Up

-- Limits and holds as derived from the projection, independent of the present. Only living units have clocks.

alter table p_units add column last_fill timestamptz;

-- usage_on orders the list by usage: 0001-01-01 where nothing is left, else the day expected, else 9999-12-31; null
-- without a usage limit or an anchor. date_blocks and usage_blocks are the uses (1 hand out, 2 fill) that each kind of
-- limit blocks once it is passed; a clock without an anchor blocks what usage_blocks says.
create table clocks (
  org_id uuid not null,
  unit_id uuid not null,
  pack text collate "C" not null,
  rule text collate "C" not null,
  revision bigint not null,
  in_force_from date not null,
  in_force_until date,
  anchored boolean not null,
  anchor_entry uuid,
  anchor_activity text not null,
  anchor_baseline smallint not null,
  anchor_on date,
  anchor_month boolean not null,
  anchor_occurred timestamptz,
  anchor_mark_on date,
  anchor_mark_month boolean not null,
  due_on date,
  used_dives bigint not null,
  used_hours bigint not null, -- nanoseconds
  used_fills bigint not null,
  expected_on date,

  usage_on date,
  usage_soon boolean not null,
  spent boolean not null,
  date_blocks smallint not null,
  usage_blocks smallint not null,
  shop text not null,
  zone text not null, -- of the shop: what the date is there
  kind text not null,
  constraint clocks_pkey primary key (org_id, unit_id, pack, rule, revision)
);
create index clocks_due on clocks (org_id, due_on, unit_id, pack, rule, revision) where due_on is not null;
create index clocks_due_shop on clocks (org_id, shop, due_on, unit_id, pack, rule, revision) where due_on is not null;
create index clocks_usage on clocks (org_id, usage_on, unit_id, pack, rule, revision) where usage_on is not null;
create index clocks_usage_shop on clocks (org_id, shop, usage_on, unit_id, pack, rule, revision) where usage_on is not null;
create index clocks_usage_soon on clocks (org_id, usage_on, unit_id, pack, rule, revision) where usage_soon;
create index clocks_usage_soon_shop on clocks (org_id, shop, usage_on, unit_id, pack, rule, revision) where usage_soon;

create table holds_derived (
  org_id uuid not null,
  unit_id uuid not null,
  hold_id text collate "C" not null,
  cause smallint not null,
  reason text not null,
  blocks smallint not null,
  opened timestamptz not null,
  lifted timestamptz,
  entry_id uuid,
  pack text not null,
  rule text not null,
  cleared_by text[] not null,
  proof uuid,
  constraint holds_derived_pkey primary key (org_id, unit_id, hold_id)
);
create index holds_derived_opened on holds_derived (org_id, opened desc, unit_id desc, hold_id desc);
create index holds_derived_open on holds_derived (org_id, opened desc, unit_id desc, hold_id desc) where lifted is null;
create index holds_derived_lifted on holds_derived (org_id, lifted) where lifted is not null;
