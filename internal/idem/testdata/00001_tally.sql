-- +goose Up
create table request_ids (
    org_id     uuid        not null,
    request_id uuid        not null,
    method     text        not null,
    digest     bytea       not null,
    response   bytea       not null,
    created    timestamptz not null,
    constraint request_ids_pkey primary key (org_id, request_id)
);
create index request_ids_created_idx on request_ids (org_id, created);
alter table request_ids enable row level security;
alter table request_ids force row level security;
create policy org on request_ids using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on request_ids to strandline_tally;

create table tallies (
    org_id uuid   not null,
    number bigint not null,
    constraint tallies_pkey primary key (org_id)
);
alter table tallies enable row level security;
alter table tallies force row level security;
create policy org on tallies using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on tallies to strandline_tally;

-- +goose Down
drop table tallies;
drop table request_ids;
