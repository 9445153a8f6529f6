// Package pg is how the services reach PostgreSQL: a pool bound to one service's role and schema, the one place that
// opens a transaction for an org, the runner of migrations, and the reading of SQLSTATEs.
//
// It decides nothing about gear. It promises that
//
//   - a statement runs inside [DB.InOrg], [DB.ReadOrg] or [DB.AcrossOrgs], and row-level security shows it the rows of
//     that org only, whatever the statement forgets to ask;
//   - [Open] refuses a role that could step around row-level security: a superuser, one with BYPASSRLS, an owner of tables;
//   - what fails comes back as *errs.E ([Err]), decided by SQLSTATE and constraint name, never by message text.
//
// # What every table looks like
//
// The org comes first in every key, so that the same schema runs on one PostgreSQL, with partitions, or distributed by
// org. There are no triggers, no deferrable constraints, no sequences, and every constraint has a name.
//
//	create table units (
//	    org_id  uuid not null,
//	    unit_id uuid not null,
//	    tag     text not null,
//	    constraint units_pkey primary key (org_id, unit_id),
//	    constraint units_tag_key unique (org_id, tag)
//	);
//	alter table units enable row level security;
//	alter table units force row level security;
//	create policy org on units
//	    using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
//	grant select, insert, update on units to strandline_registry;
//
// The policy has no sub-select (a distributed PostgreSQL refuses one) and survives the unset setting, which reads as null
// at first and as the empty string once a transaction has set it. Without WITH CHECK the same expression checks new
// rows. A ledger gets `grant select, insert` and nothing else.
//
// A table of heads, and the registry's table of orgs, also let the few statements through that look across orgs:
//
//	create policy across on heads for select
//	    using (current_setting('strandline.across', true) = 'heads');
//
// A migration file is a goose file: `-- +goose Up` before the statements, `-- +goose Down` before those that take them
// back. It runs as the admin, who owns what it makes, with search_path set to the schema, so names need no prefix.
// `pgtest.CheckTenancy` proves all this from the catalog.
package pg
