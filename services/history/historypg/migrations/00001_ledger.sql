-- +goose Up

-- The ledger. A row is written once: the runtime role may select and insert, nothing else. What the columns mean, and how each
-- digest follows from the row and the digest before, is written out in chain.go and body.go of package history.
--
-- Rows arrive in the order of sequence, and recorded never runs backwards in an org, so that a range of recorded is a range of
-- sequence (found by bisection over the primary key) and needs no index of its own.
create table entries (
  org_id uuid not null,
  sequence bigint not null,
  entry_id uuid not null,
  unit_id uuid not null,
  shop text not null,
  kind smallint not null,
  occurred timestamptz not null,
  recorded timestamptz not null,
  corrects uuid,
  recorder text not null,
  body bytea not null,
  digest bytea not null,
  constraint entries_pkey primary key (org_id, sequence),
  constraint entries_entry_key unique (org_id, entry_id),
  constraint entries_sequence_positive check (sequence > 0),
  constraint entries_kind_known check (kind between 1 and 5),
  constraint entries_corrects_amendment check ((kind = 5) = (corrects is not null)),
  constraint entries_digest_length check (octet_length(digest) = 32)
);
-- A unit's life, and a shop's, in the order of the ledger.
create index entries_unit on entries (org_id, unit_id, sequence);
create index entries_shop on entries (org_id, shop, sequence);
-- Usage is nearly all of a ledger, so the primary key finds it soon enough; the rest is rare and worth an index that is small.
create index entries_kind on entries (org_id, kind, sequence) where kind <> 1;
-- What happened in a period. Most entries are recorded soon after, so that this index grows at its end.
create index entries_occurred on entries (org_id, occurred);
-- Amendments of an entry.
create index entries_corrects on entries (org_id, corrects) where corrects is not null;

alter table entries enable row level security;
alter table entries force row level security;
create policy org on entries
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on entries to strandline_history;

-- Where each org's ledger ends. Writers of an org queue for its row.
create table heads (
  org_id uuid not null,
  org text not null,
  number bigint not null,
  digest bytea not null,
  recorded timestamptz not null,
  constraint heads_pkey primary key (org_id),
  constraint heads_number_positive check (number >= 0),
  constraint heads_digest_length check (octet_length(digest) = 32)
);
alter table heads enable row level security;
alter table heads force row level security;
create policy org on heads
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
create policy across on heads for select
  using (current_setting('strandline.across', true) = 'heads');
grant select, insert, update on heads to strandline_history;

-- +goose Down
drop table heads;
drop table entries;
