-- +goose Up

-- The org's head: the number of its last change. Every write locks it first.
create table heads (
    org_id uuid   not null,
    org    text   collate "C" not null,
    number bigint not null,
    constraint heads_pkey primary key (org_id),
    constraint heads_number_check check (number >= 0)
);

-- The log of changes: what the feed serves.
create table changes (
    org_id  uuid        not null,
    number  bigint      not null,
    changed timestamptz not null,
    body    bytea       not null,
    constraint changes_pkey primary key (org_id, number),
    constraint changes_head_fkey foreign key (org_id) references heads (org_id)
);

create table orgs (
    org_id       uuid        not null,
    id           text        collate "C" not null,
    display_name text        not null,
    created      timestamptz not null,
    constraint orgs_pkey primary key (org_id)
);

create table shops (
    org_id       uuid        not null,
    shop_id      text        collate "C" not null,
    display_name text        not null,
    time_zone    text        not null,
    jurisdiction text        not null,
    version      bigint      not null,
    created      timestamptz not null,
    updated      timestamptz not null,
    constraint shops_pkey primary key (org_id, shop_id),
    constraint shops_org_fkey foreign key (org_id) references orgs (org_id)
);

create table models (
    org_id       uuid        not null,
    model_id     text        collate "C" not null,
    display_name text        not null,
    kind         text        collate "C" not null,
    maker        text        collate "C" not null,
    size         text        collate "C" not null,
    attributes   jsonb       not null,
    version      bigint      not null,
    created      timestamptz not null,
    updated      timestamptz not null,
    constraint models_pkey primary key (org_id, model_id),
    constraint models_org_fkey foreign key (org_id) references orgs (org_id)
);

create table technicians (
    org_id         uuid        not null,
    technician_id  text        collate "C" not null,
    display_name   text        not null,
    qualifications jsonb       not null,
    version        bigint      not null,
    created        timestamptz not null,
    updated        timestamptz not null,
    constraint technicians_pkey primary key (org_id, technician_id),
    constraint technicians_org_fkey foreign key (org_id) references orgs (org_id)
);

-- A unit carries its model's kind and its present shop, so that lists by them cost what they show.
create table units (
    org_id             uuid        not null,
    unit_id            uuid        not null,
    asset_tag          text        collate "C" not null,
    serial_number      text        collate "C" not null,
    model_id           text        collate "C" not null,
    kind               text        collate "C" not null,
    shop_id            text        collate "C" not null,
    manufactured_on    date,
    manufactured_month boolean     not null,
    commissioned_on    date        not null,
    size               text        collate "C" not null,
    attributes         jsonb       not null,
    retired            timestamptz,
    retire_reason      text        not null,
    version            bigint      not null,
    created            timestamptz not null,
    updated            timestamptz not null,
    constraint units_pkey primary key (org_id, unit_id),
    constraint units_model_fkey foreign key (org_id, model_id) references models (org_id, model_id),
    constraint units_shop_fkey foreign key (org_id, shop_id) references shops (org_id, shop_id)
);
create unique index units_tag_living on units (org_id, asset_tag) where retired is null;
create index units_tag_idx on units (org_id, asset_tag, unit_id);
create index units_shop_idx on units (org_id, shop_id, asset_tag, unit_id);
create index units_kind_idx on units (org_id, kind, asset_tag, unit_id);
create index units_model_idx on units (org_id, model_id, asset_tag, unit_id);
create index units_serial_idx on units (org_id, serial_number, asset_tag, unit_id);

-- The first placement of a unit starts at -infinity, the present one has no end.
create table unit_placements (
    org_id  uuid        not null,
    unit_id uuid        not null,
    started timestamptz not null,
    ended   timestamptz,
    shop_id text        collate "C" not null,
    constraint unit_placements_pkey primary key (org_id, unit_id, started),
    constraint unit_placements_order_check check (ended > started),
    constraint unit_placements_one_shop exclude using gist (org_id with =, unit_id with =, tstzrange(started, ended, '[)') with &&),
    constraint unit_placements_unit_fkey foreign key (org_id, unit_id) references units (org_id, unit_id),
    constraint unit_placements_shop_fkey foreign key (org_id, shop_id) references shops (org_id, shop_id)
);

create table fittings (
    org_id     uuid        not null,
    fitting_id uuid        not null,
    part_id    uuid        not null,
    host_id    uuid        not null,
    place      text        not null,
    fitted     timestamptz not null,
    unfitted   timestamptz,
    constraint fittings_pkey primary key (org_id, fitting_id),
    constraint fittings_order_check check (unfitted > fitted),
    constraint fittings_self_check check (part_id <> host_id),
    constraint fittings_one_host exclude using gist (org_id with =, part_id with =, tstzrange(fitted, unfitted, '[)') with &&),
    constraint fittings_part_fkey foreign key (org_id, part_id) references units (org_id, unit_id),
    constraint fittings_host_fkey foreign key (org_id, host_id) references units (org_id, unit_id)
);
create index fittings_part_idx on fittings (org_id, part_id, fitted, fitting_id);
create index fittings_host_idx on fittings (org_id, host_id, fitted, fitting_id);
create index fittings_time_idx on fittings (org_id, fitted, fitting_id);

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

alter table heads enable row level security;
alter table heads force row level security;
create policy org on heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
create policy across on heads for select using (current_setting('strandline.across', true) = 'heads');
alter table changes enable row level security;
alter table changes force row level security;
create policy org on changes using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table orgs enable row level security;
alter table orgs force row level security;
create policy org on orgs using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
create policy across on orgs for select using (current_setting('strandline.across', true) = 'heads');
alter table shops enable row level security;
alter table shops force row level security;
create policy org on shops using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table models enable row level security;
alter table models force row level security;
create policy org on models using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table technicians enable row level security;
alter table technicians force row level security;
create policy org on technicians using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table units enable row level security;
alter table units force row level security;
create policy org on units using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table unit_placements enable row level security;
alter table unit_placements force row level security;
create policy org on unit_placements using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table fittings enable row level security;
alter table fittings force row level security;
create policy org on fittings using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table request_ids enable row level security;
alter table request_ids force row level security;
create policy org on request_ids using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);

grant select, insert, update on heads, shops, models, technicians, units, unit_placements, fittings to strandline_registry;
grant select, insert on orgs, changes to strandline_registry;
grant select, insert, delete on request_ids to strandline_registry;

-- +goose Down
drop table request_ids;
drop table fittings;
drop table unit_placements;
drop table units;
drop table technicians;
drop table models;
drop table shops;
drop table orgs;
drop table changes;
drop table heads;
