-- +goose Up

-- Lots of parts. A lot is registered once and does not change: the runtime role may select and insert, nothing else.
create table lots (
  org_id uuid not null,
  lot text collate "C" not null,
  part text collate "C" not null,
  title text not null,
  lot_number text not null,
  supplier text not null,
  expires date, -- the last day, or the first day of the last month
  expires_month boolean not null,
  quantity integer not null,
  recorder text not null,
  created timestamptz not null,
  constraint lots_pkey primary key (org_id, lot),
  constraint lots_month_of_date check (expires is not null or not expires_month),
  constraint lots_quantity_counted check (quantity >= 0)
);
-- Lots of one part, by name.
create index lots_part on lots (org_id, part, lot);

alter table lots enable row level security;
alter table lots force row level security;
create policy org on lots
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on lots to strandline_history;

-- Where parts went. A row follows from an entry of the ledger and is written with it: an entry has to do with one lot at most. A count
-- below zero came out again, or never went in because the event was withdrawn; what is in a unit is the sum.
--
-- The key carries the whole row: where a lot went is read from the index alone, in the order of the ledger.
create table part_uses (
  org_id uuid not null,
  lot text collate "C" not null,
  sequence bigint not null,
  unit_id uuid not null,
  order_id uuid not null,
  part text collate "C" not null,
  count integer not null,
  entry_id uuid not null,
  occurred timestamptz not null,
  constraint part_uses_pkey primary key (org_id, lot, sequence) include (unit_id, order_id, part, count, entry_id, occurred),
  constraint part_uses_sequence_positive check (sequence > 0),
  constraint part_uses_count_some check (count <> 0)
);
-- What went into a unit.
create index part_uses_unit on part_uses (org_id, unit_id, sequence);

alter table part_uses enable row level security;
alter table part_uses force row level security;
create policy org on part_uses
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on part_uses to strandline_history;

-- +goose Down
drop table part_uses;
drop table lots;
