-- +goose Up

-- Recalls and safety notices, and the units that people let off them. Like the packs they are compliance's own: a rebuild of the projection
-- keeps them. What a recall says never changes; it ends once, and a unit is released once.
create table recalls (
  org_id uuid not null,
  recall text collate "C" not null,
  body bytea not null, -- as it was opened
  digest bytea not null, -- of the body
  releasable boolean not null,
  opened timestamptz not null,
  opener text not null,
  withdrawn boolean not null default false, -- how it ended: withdrawn, or closed
  ended timestamptz,
  ender text not null default '',
  end_reason text not null default '',
  constraint recalls_pkey primary key (org_id, recall),
  constraint recalls_ended_later check (ended >= opened),
  constraint recalls_withdrawn_ended check (ended is not null or not withdrawn)
);
create index recalls_opened on recalls (org_id, opened desc, recall desc);

create table recall_releases (
  org_id uuid not null,
  unit_id uuid not null,
  recall text collate "C" not null,
  released timestamptz not null,
  releaser text not null,
  reason text not null,
  constraint recall_releases_pkey primary key (org_id, unit_id, recall)
);

alter table recalls enable row level security;
alter table recalls force row level security;
create policy org on recalls using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update (withdrawn, ended, ender, end_reason) on recalls to strandline_compliance;

alter table recall_releases enable row level security;
alter table recall_releases force row level security;
create policy org on recall_releases using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on recall_releases to strandline_compliance;

-- Holds of recalls are derived as others are, and tell who lifted them. The table has another name so that a replica that knows nothing of
-- recalls stops, rather than deriving their holds away.
alter table holds_derived rename to unit_holds;
alter table unit_holds add column lifter text not null default '', add column lift_reason text not null default '';
create index unit_holds_recall on unit_holds (org_id, hold_id, unit_id) where cause = 7;
