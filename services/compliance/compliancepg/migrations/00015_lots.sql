-- +goose Up

-- Of which lots parts were put into which unit, in which service order: by it a recall of a lot finds its units. Derived from a unit's
-- history with its other rows, and part of the projection.
create table p_lot_uses (
  org_id uuid not null,
  unit_id uuid not null,
  lot text collate "C" not null,
  order_id uuid not null,
  part text collate "C" not null,
  count bigint not null,
  constraint p_lot_uses_pkey primary key (org_id, unit_id, lot, order_id, part),
  constraint p_lot_uses_some check (count > 0)
);
create index p_lot_uses_lot on p_lot_uses (org_id, lot, unit_id);

alter table p_lot_uses enable row level security;
alter table p_lot_uses force row level security;
create policy org on p_lot_uses using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on p_lot_uses to strandline_compliance;
