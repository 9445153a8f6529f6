-- +goose Up

-- Row-level security under every query: a transaction sees the rows of the org it was opened for, and none without one.
-- The runtime role owns nothing and has only the grants it needs; packs, changes and request ids are never rewritten.

alter table cursors enable row level security;
alter table cursors force row level security;
create policy org on cursors using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on cursors to strandline_compliance;

alter table p_shops enable row level security;
alter table p_shops force row level security;
create policy org on p_shops using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on p_shops to strandline_compliance;

alter table p_models enable row level security;
alter table p_models force row level security;
create policy org on p_models using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on p_models to strandline_compliance;

alter table p_units enable row level security;
alter table p_units force row level security;
create policy org on p_units using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on p_units to strandline_compliance;

alter table p_fittings enable row level security;
alter table p_fittings force row level security;
create policy org on p_fittings using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update, delete on p_fittings to strandline_compliance;

alter table p_entries enable row level security;
alter table p_entries force row level security;
create policy org on p_entries using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on p_entries to strandline_compliance;

alter table clocks enable row level security;
alter table clocks force row level security;
create policy org on clocks using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on clocks to strandline_compliance;

alter table holds_derived enable row level security;
alter table holds_derived force row level security;
create policy org on holds_derived using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on holds_derived to strandline_compliance;

alter table heads enable row level security;
alter table heads force row level security;
create policy org on heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on heads to strandline_compliance;

alter table changes enable row level security;
alter table changes force row level security;
create policy org on changes using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on changes to strandline_compliance;

alter table request_ids enable row level security;
alter table request_ids force row level security;
create policy org on request_ids using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, delete on request_ids to strandline_compliance;

alter table rule_packs enable row level security;
alter table rule_packs force row level security;
create policy org on rule_packs using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on rule_packs to strandline_compliance;

alter table holds_manual enable row level security;
alter table holds_manual force row level security;
create policy org on holds_manual using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert, update on holds_manual to strandline_compliance;
