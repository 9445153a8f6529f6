-- +goose Up

-- Service orders. What happens to an order is an entry of its unit, of kind 6; what was performed in it is a service or test that names it. The tables below
-- repeat what the entries say, so that it is found; they are written in the transaction that appends the entry, and like entries only ever added to.
alter table entries add column order_id uuid;
alter table entries drop constraint entries_kind_known;
alter table entries add constraint entries_kind_known check (kind between 1 and 6);
alter table entries add constraint entries_order_event check (kind <> 6 or order_id is not null);
create index entries_order on entries (org_id, order_id, sequence) where order_id is not null;

create table orders (
  org_id uuid not null,
  order_id uuid not null,
  sequence bigint not null,
  unit_id uuid not null,
  purpose text not null,
  shop text not null,
  constraint orders_pkey primary key (org_id, order_id),
  constraint orders_sequence_key unique (org_id, sequence)
);
create index orders_unit on orders (org_id, unit_id, sequence);
create index orders_shop on orders (org_id, shop, sequence);
alter table orders enable row level security;
alter table orders force row level security;
create policy org on orders
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on orders to strandline_history;

-- How orders ended: signed (1), closed (2), or first the one and then the other. An order without a row is open.
create table order_ends (
  org_id uuid not null,
  order_id uuid not null,
  ending smallint not null,
  sequence bigint not null,
  occurred timestamptz not null,
  constraint order_ends_pkey primary key (org_id, order_id, ending),
  constraint order_ends_known check (ending between 1 and 2)
);
alter table order_ends enable row level security;
alter table order_ends force row level security;
create policy org on order_ends
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on order_ends to strandline_history;

-- Which instruments tests were made with.
create table instrument_uses (
  org_id uuid not null,
  instrument_id uuid not null,
  occurred timestamptz not null,
  entry_id uuid not null,
  sequence bigint not null,
  unit_id uuid not null,
  order_id uuid not null,
  activity text not null,
  shop text not null,
  passed boolean not null,
  constraint instrument_uses_pkey primary key (org_id, instrument_id, occurred, entry_id)
);
alter table instrument_uses enable row level security;
alter table instrument_uses force row level security;
create policy org on instrument_uses
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on instrument_uses to strandline_history;

-- +goose Down
drop table instrument_uses;
drop table order_ends;
drop table orders;
drop index entries_order;
alter table entries drop constraint entries_order_event;
alter table entries drop constraint entries_kind_known;
alter table entries add constraint entries_kind_known check (kind between 1 and 5);
alter table entries drop column order_id;
