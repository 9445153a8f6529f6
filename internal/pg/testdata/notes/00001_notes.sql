-- +goose Up
create table notes (
    org_id  uuid        not null,
    note_id uuid        not null,
    body    text        not null,
    made    timestamptz not null,
    constraint notes_pkey primary key (org_id, note_id),
    constraint notes_body_key unique (org_id, body),
    constraint notes_body_not_empty check (body <> '')
);
alter table notes enable row level security;
alter table notes force row level security;
create policy org on notes using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on notes to strandline_notes;

create table heads (
    org_id uuid   not null,
    number bigint not null,
    constraint heads_pkey primary key (org_id)
);
alter table heads enable row level security;
alter table heads force row level security;
create policy org on heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
create policy across on heads for select using (current_setting('strandline.across', true) = 'heads');
grant select, insert, update on heads to strandline_notes;

create table stays (
    org_id  uuid      not null,
    stay_id uuid      not null,
    note_id uuid      not null,
    during  tstzrange not null,
    constraint stays_pkey primary key (org_id, stay_id),
    constraint stays_note_fkey foreign key (org_id, note_id) references notes (org_id, note_id),
    constraint stays_no_overlap exclude using gist (org_id with =, note_id with =, during with &&)
);
alter table stays enable row level security;
alter table stays force row level security;
create policy org on stays using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on stays to strandline_notes;

-- +goose Down
drop table stays;
drop table heads;
drop table notes;
