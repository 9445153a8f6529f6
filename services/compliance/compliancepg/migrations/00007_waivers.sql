-- +goose Up

-- Signed exceptions to rules. Like the packs they are compliance's own: a rebuild of the projection keeps them. None is deleted; a
-- waiver is revoked once, and nothing else of it changes.

create table waivers (
  org_id uuid not null,
  waiver_id uuid not null,
  unit_id uuid not null,
  pack text collate "C" not null,
  rule text collate "C" not null,
  first_day date not null, -- at the unit's shop
  last_day date not null,
  signer text not null,
  reason text not null,
  granted timestamptz not null,
  granter text not null,
  revoked timestamptz,
  revoker text not null default '',
  revoke_reason text not null default '',
  constraint waivers_pkey primary key (org_id, waiver_id),
  constraint waivers_end_after_start check (last_day between first_day and first_day + 366),
  constraint waivers_revoked_later check (revoked >= granted)
);
create index waivers_unit on waivers (org_id, unit_id);
create index waivers_granted on waivers (org_id, granted desc, waiver_id desc);
create index waivers_standing on waivers (org_id, last_day) where revoked is null;

alter table waivers enable row level security;
alter table waivers force row level security;
create policy org on waivers using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update (revoked, revoker, revoke_reason) on waivers to strandline_compliance;
