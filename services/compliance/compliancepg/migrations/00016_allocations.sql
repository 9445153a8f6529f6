-- +goose Up

-- Units promised for windows, handed out and returned. They are compliance's own, like the holds that people place: a rebuild of the
-- projection leaves them alone.

-- state: 1 held, 2 confirmed, 3 out, 4 returned, 5 released, 6 expired. The first three are live. Whoever writes takes the lock of the org's row
-- in heads first: of two who want one unit the second waits there, and is answered, rather than both meeting in the constraint. The
-- constraint decides should anybody forget.
create table allocations (
  org_id uuid not null,
  allocation_id uuid not null,
  group_id uuid not null,
  outfit integer not null,
  kind text collate "C" not null,
  size text collate "C" not null, -- that was asked for; empty for any
  shop text collate "C" not null,
  unit_id uuid not null,
  during tstzrange not null,
  dives bigint not null, -- expected
  hours bigint not null, -- nanoseconds
  fills bigint not null,
  state smallint not null,
  expires timestamptz, -- while held
  pinned boolean not null,
  reference text not null,
  created timestamptz not null,
  creator text not null,
  confirmed timestamptz,
  handed_out timestamptz,
  hander text not null default '',
  gate_registry bigint not null default 0, -- what the gate had seen
  gate_history bigint not null default 0,
  gate_compliance bigint not null default 0,
  finished timestamptz,
  finisher text not null default '',
  finish_reason text not null default '',
  entries text[] not null default '{}', -- names of the entries of its return
  return_at timestamptz, -- of a return that was begun: the instant of its entries, so that a repeat makes the same ones
  return_digest bytea, -- and the digest of what it says
  returner text not null default '', -- and who took it back
  conflicts jsonb not null default '[]',
  substitutions jsonb not null default '[]',
  number bigint not null, -- of its last change, as in watch_heads
  constraint allocations_pkey primary key (org_id, allocation_id),
  constraint allocations_no_overlap exclude using gist (org_id with =, unit_id with =, during with &&) where (state <= 3),
  constraint allocations_state_known check (state between 1 and 6),
  constraint allocations_held_expires check ((state = 1) <= (expires is not null)),
  constraint allocations_out_handed check ((state in (3, 4)) <= (handed_out is not null)),
  constraint allocations_finished check ((state > 3) = (finished is not null)),
  constraint allocations_window check (not isempty(during) and not lower_inf(during) and not upper_inf(during))
);
-- Nobody is handed what somebody else has, whatever the windows say.
create unique index allocations_out on allocations (org_id, unit_id) where state = 3;
create index allocations_live on allocations (org_id, unit_id) where state <= 3;
create index allocations_unit on allocations (org_id, unit_id, lower(during), allocation_id);
create index allocations_group on allocations (org_id, group_id, outfit, allocation_id);
create index allocations_shop on allocations (org_id, shop, lower(during), allocation_id) where state <= 3;
create index allocations_start on allocations (org_id, lower(during), allocation_id);
create index allocations_expiring on allocations (org_id, expires) where state = 1;
create index allocations_late on allocations (org_id, upper(during)) where state = 3;
create index allocations_uncollected on allocations (org_id, upper(during)) where state <= 2;
create index allocations_conflict on allocations (org_id, lower(during), allocation_id) where state <= 3 and conflicts <> '[]';
create index allocations_substituted on allocations (org_id, allocation_id) where state <= 3 and substitutions <> '[]';
create index allocations_number on allocations (org_id, number, allocation_id);

-- How long it takes from one shop to another, as people said.
create table transfer_times (
  org_id uuid not null,
  from_shop text collate "C" not null,
  to_shop text collate "C" not null,
  seconds bigint not null,
  constraint transfer_times_pkey primary key (org_id, from_shop, to_shop),
  constraint transfer_times_some check (seconds > 0)
);

-- What changed, for those who keep a copy: the number of the last change of each unit, and of each allocation in its own row. One row per org
-- gives out the numbers; its lock is the last that a transaction takes, so that numbers become visible in their order. No
-- row is added per change, so that a copy of any age can be brought up to date.
-- told is the latest instant as of which something was marked: whoever tells what is watched tells it as of no earlier one.
create table watch_heads (
  org_id uuid not null,
  number bigint not null,
  told timestamptz,
  constraint watch_heads_pkey primary key (org_id),
  constraint watch_heads_number_positive check (number >= 0)
);

-- again is when time alone next changes what is to be said of the unit, infinity for never; it is marked anew then.
create table watch_units (
  org_id uuid not null,
  unit_id uuid not null,
  number bigint not null,
  again timestamptz,
  constraint watch_units_pkey primary key (org_id, unit_id)
);
create index watch_units_number on watch_units (org_id, number, unit_id);
create index watch_units_again on watch_units (org_id, again) where again < 'infinity';

-- Up to which change the promises of an org were looked at.
create table review_heads (
  org_id uuid not null,
  number bigint not null,
  constraint review_heads_pkey primary key (org_id),
  constraint review_heads_number_positive check (number >= 0)
);

-- What searches are answered from: every unit with all that is fitted to it, without what people placed and what was promised. Part of the
-- projection. From since on, the set may be handed out from ok_from until just before ok_until; more says that there may be other times.
-- left_* is what is left before the first limit of each measure, null without one; left_sure says that nothing excuses the unit from those.
create table p_ready (
  org_id uuid not null,
  unit_id uuid not null,
  kind text collate "C" not null,
  shop text collate "C" not null,
  size text collate "C" not null,
  tag text not null,
  host_id uuid,
  retired timestamptz,
  since timestamptz, -- null if nothing ever happened to it
  ok_from timestamptz, -- null for never
  ok_until timestamptz, -- null for without end
  more boolean not null,
  left_dives bigint,
  left_hours bigint, -- nanoseconds
  left_fills bigint,
  left_sure boolean not null,
  members uuid[] not null, -- what is fitted to it
  constraint p_ready_pkey primary key (org_id, unit_id)
);
-- By kind and shop, those with the least use left first: by it units are searched, and promises made.
create index p_ready_fit on p_ready (org_id, kind, shop, left_dives, left_hours, left_fills, ok_until, tag, unit_id);
create index p_ready_shop on p_ready (org_id, shop, tag, unit_id);

-- Until when everything that a source had recorded was applied, at least.
alter table cursors add column complete timestamptz;

alter table allocations enable row level security;
alter table allocations force row level security;
create policy org on allocations using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on allocations to strandline_compliance;

alter table transfer_times enable row level security;
alter table transfer_times force row level security;
create policy org on transfer_times using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on transfer_times to strandline_compliance;

alter table watch_heads enable row level security;
alter table watch_heads force row level security;
create policy org on watch_heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on watch_heads to strandline_compliance;

alter table watch_units enable row level security;
alter table watch_units force row level security;
create policy org on watch_units using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on watch_units to strandline_compliance;

alter table review_heads enable row level security;
alter table review_heads force row level security;
create policy org on review_heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on review_heads to strandline_compliance;

alter table p_ready enable row level security;
alter table p_ready force row level security;
create policy org on p_ready using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on p_ready to strandline_compliance;

-- Units were derived before this was kept: the projection is thrown away, and the feeds are read again from their beginning.
truncate clocks, unit_holds, p_ledger, p_amendments, p_fittings, p_units, p_models, p_shops, p_versions, p_lot_uses, cursors;
