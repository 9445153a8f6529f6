-- +goose Up
create table heads (
    org_id uuid   not null,
    org    text   not null,
    number bigint not null,
    constraint heads_pkey primary key (org_id)
);
alter table heads enable row level security;
alter table heads force row level security;
create policy org on heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
create policy across on heads for select using (current_setting('strandline.across', true) = 'heads');
grant select, insert, update on heads to strandline_log;

create table changes (
    org_id uuid   not null,
    number bigint not null,
    body   bytea  not null,
    constraint changes_pkey primary key (org_id, number)
);
alter table changes enable row level security;
alter table changes force row level security;
create policy org on changes using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on changes to strandline_log;

-- +goose Down
drop table changes;
drop table heads;
