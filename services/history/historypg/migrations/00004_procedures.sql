-- +goose Up

-- Procedures that orgs published, each revision in the text in which it was. A row is written once: open orders are worked by it.
create table procedures (
  org_id uuid not null,
  procedure text collate "C" not null,
  revision integer not null,
  source text not null, -- the one document of the file
  recorder text not null,
  created timestamptz not null,
  constraint procedures_pkey primary key (org_id, procedure, revision),
  constraint procedures_revision_positive check (revision > 0)
);

alter table procedures enable row level security;
alter table procedures force row level security;
create policy org on procedures
  using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on procedures to strandline_history;

-- +goose Down
drop table procedures;
