-- +goose Up

-- What compliance itself is the source of. A rebuild of the projection leaves these alone.

create table heads (
  org_id uuid not null,
  number bigint not null,
  constraint heads_pkey primary key (org_id),
  constraint heads_number_positive check (number >= 0)
);

create table changes (
  org_id uuid not null,
  number bigint not null,
  changed timestamptz not null,
  kind text not null,
  subject text not null,
  actor text not null,
  constraint changes_pkey primary key (org_id, number)
);

create table request_ids (
  org_id uuid not null,
  request_id uuid not null,
  method text not null,
  digest bytea not null,
  response bytea not null,
  created timestamptz not null,
  constraint request_ids_pkey primary key (org_id, request_id)
);
create index request_ids_created_idx on request_ids (org_id, created);

create table rule_packs (
  org_id uuid not null,
  pack text collate "C" not null,
  revision bigint not null,
  effective_on date not null,
  published timestamptz not null,
  digest bytea not null,
  body bytea not null,
  constraint rule_packs_pkey primary key (org_id, pack, revision),
  constraint rule_packs_revision_positive check (revision > 0)
);

create table holds_manual (
  org_id uuid not null,
  hold_id uuid not null,
  unit_id uuid not null,
  reason text not null,
  blocks smallint not null, -- 1 hand out, 2 fill, 3 both
  placed timestamptz not null,
  placer text not null,
  lifted timestamptz,
  lifter text not null default '',
  lift_reason text not null default '',
  constraint holds_manual_pkey primary key (org_id, hold_id),
  constraint holds_manual_blocks_something check (blocks between 1 and 3),
  constraint holds_manual_lifted_later check (lifted >= placed)
);
create index holds_manual_unit on holds_manual (org_id, unit_id);
create index holds_manual_placed on holds_manual (org_id, placed desc, hold_id desc);
create index holds_manual_open on holds_manual (org_id, placed desc, hold_id desc) where lifted is null;
