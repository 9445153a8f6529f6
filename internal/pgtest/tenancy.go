package pgtest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
)

// exempt are tables of the migration runner's; a service can read them and no more.
var exempt = []string{"goose_version"}

// CheckTenancy proves from the catalog, for every table of the schemas, that
//
//   - the org comes first: org_id uuid not null, and first in the primary key, in every unique, exclusion and foreign key
//     and in every other index, also in what a foreign key points at;
//   - row-level security is on and forced, each policy is known (the org's, or the one across orgs that can only select)
//     and there is one of the org;
//   - there are no triggers, rules, deferrable constraints, sequences, identity or serial columns, functions or views;
//   - every constraint has a name of its own making;
//   - the runtime role owns nothing, is no superuser, has no BYPASSRLS and cannot log in, make roles or databases, has no
//     TRUNCATE, REFERENCES or TRIGGER, and nobody else has any privilege.
//
// It fails the test once per fault, and if it finds no table at all.
func CheckTenancy(t testing.TB, db *Database, schemas ...pg.Schema) {
	t.Helper()
	faults, err := TenancyFaults(t.Context(), db.DSN(), schemas...)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range faults {
		t.Error(f)
	}
}

// TenancyFaults returns what [CheckTenancy] finds wrong.
func TenancyFaults(ctx context.Context, adminDSN string, schemas ...pg.Schema) ([]string, error) {
	conn, err := pgx.Connect(ctx, adminDSN)
	if err != nil {
		return nil, err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	var faults []string
	for _, s := range schemas {
		var there bool
		if err := conn.QueryRow(ctx, `select exists (select from pg_roles where rolname = $1)`, s.Role).Scan(&there); err != nil {
			return nil, err
		}
		if !there {
			faults = append(faults, fmt.Sprintf("schema %s: %s does not exist", s.Name, s.Role))
			continue
		}
		for _, c := range catalogChecks {
			rows, err := conn.Query(ctx, c.sql, s.Name, s.Role, exempt)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", c.fault, err)
			}
			found, err := pgx.CollectRows(rows, pgx.RowTo[string])
			if err != nil {
				return nil, fmt.Errorf("%s: %w", c.fault, err)
			}
			for _, what := range found {
				faults = append(faults, fmt.Sprintf("schema %s: %s %s", s.Name, what, c.fault))
			}
		}
	}
	slices.Sort(faults)
	return faults, nil
}

// catalogCheck is a query that returns one line for each offender. $1 is the schema, $2 the role, $3 the exempt tables.
type catalogCheck struct{ fault, sql string }

// tables is the start of most checks: t is every table of the schema that is not exempt.
const tables = `
	with t as (
		select c.oid, c.relname, c.relrowsecurity, c.relforcerowsecurity, c.relowner
		from pg_class c join pg_namespace n on n.oid = c.relnamespace
		where n.nspname = $1 and c.relkind in ('r', 'p') and c.relname <> all ($3::text[]) and $2::text is not null
	)`

// plain starts the checks that are about the whole schema and binds the parameters they do not use.
const plain = `
	with p as (select $1::text as schema, $2::text as role, $3::text[] as exempt)`

// orgPolicy is the expression of the org's policy as PostgreSQL prints it.
const (
	orgPolicy    = `(org_id = (NULLIF(current_setting('strandline.org'::text, true), ''::text))::uuid)`
	acrossPolicy = `(current_setting('strandline.across'::text, true) = 'heads'::text)`
)

var catalogChecks = []catalogCheck{
	{"has no table: nothing was checked", plain + `
		select schema from p where not exists (
			select from pg_class c join pg_namespace n on n.oid = c.relnamespace
			where n.nspname = p.schema and c.relkind in ('r', 'p') and c.relname <> all (p.exempt))`},
	{"has no column org_id uuid not null", tables + `
		select relname from t where not exists (
			select from pg_attribute a where a.attrelid = t.oid and a.attname = 'org_id' and a.atttypid = 'uuid'::regtype and a.attnotnull and not a.attisdropped)`},
	{"has no primary key", tables + `
		select relname from t where not exists (select from pg_constraint k where k.conrelid = t.oid and k.contype = 'p')`},
	{"does not start with org_id", tables + `
		select relname || '.' || conname from t join pg_constraint k on k.conrelid = t.oid
		join pg_attribute a on a.attrelid = t.oid and a.attnum = k.conkey[1]
		where k.contype in ('p', 'u', 'x', 'f') and a.attname <> 'org_id'`},
	{"points at a key that does not start with org_id", tables + `
		select relname || '.' || conname from t join pg_constraint k on k.conrelid = t.oid
		join pg_attribute a on a.attrelid = k.confrelid and a.attnum = k.confkey[1]
		where k.contype = 'f' and a.attname <> 'org_id'`},
	{"points into another schema", tables + `
		select t.relname || '.' || conname from t join pg_constraint k on k.conrelid = t.oid
		join pg_class f on f.oid = k.confrelid join pg_namespace n on n.oid = f.relnamespace
		where k.contype = 'f' and n.nspname <> $1`},
	{"is an index that does not start with org_id", tables + `
		select t.relname || '.' || i.relname from t join pg_index x on x.indrelid = t.oid join pg_class i on i.oid = x.indexrelid
		left join pg_attribute a on a.attrelid = t.oid and a.attnum = x.indkey[0]
		where a.attname is distinct from 'org_id'`},
	{"excludes other than equal orgs", tables + `
		select relname || '.' || conname from t join pg_constraint k on k.conrelid = t.oid
		join pg_operator o on o.oid = k.conexclop[1]
		where k.contype = 'x' and o.oprname <> '='`},
	{"is deferrable", tables + `
		select relname || '.' || conname from t join pg_constraint k on k.conrelid = t.oid where k.condeferrable`},
	{"is not validated", tables + `
		select relname || '.' || conname from t join pg_constraint k on k.conrelid = t.oid where not k.convalidated`},
	{"changes rows of its own accord (on delete or on update)", tables + `
		select relname || '.' || conname from t join pg_constraint k on k.conrelid = t.oid
		where k.contype = 'f' and (k.confdeltype not in ('a', 'r') or k.confupdtype not in ('a', 'r'))`},
	{"has no row-level security", tables + `select relname from t where not relrowsecurity`},
	{"does not force row-level security on its owner", tables + `select relname from t where not relforcerowsecurity`},
	{"has no policy of the org for every command", tables + `
		select relname from t where not exists (
			select from pg_policy p where p.polrelid = t.oid and p.polcmd = '*' and p.polpermissive
			and pg_get_expr(p.polqual, p.polrelid) = '` + quote(orgPolicy) + `')`},
	{"is a policy that is neither the org's nor the one across orgs for select", tables + `
		select relname || '.' || polname from t join pg_policy p on p.polrelid = t.oid
		where not (coalesce(p.polcmd = '*' and pg_get_expr(p.polqual, p.polrelid) = '` + quote(orgPolicy) + `'
				and coalesce(pg_get_expr(p.polwithcheck, p.polrelid), '` + quote(orgPolicy) + `') = '` + quote(orgPolicy) + `', false))
		and not (coalesce(p.polcmd = 'r' and pg_get_expr(p.polqual, p.polrelid) = '` + quote(acrossPolicy) + `', false))`},
	{"lets a look across orgs in, and is neither heads nor orgs", tables + `
		select relname from t join pg_policy p on p.polrelid = t.oid
		where p.polcmd = 'r' and relname not in ('heads', 'orgs')`},
	{"is a trigger", tables + `
		select relname || '.' || tgname from t join pg_trigger g on g.tgrelid = t.oid where not g.tgisinternal`},
	{"is a rule", tables + `
		select relname || '.' || rulename from t join pg_rewrite r on r.ev_class = t.oid`},
	{"is an identity column", tables + `
		select relname || '.' || attname from t join pg_attribute a on a.attrelid = t.oid where a.attidentity <> ''`},
	{"calls a sequence", tables + `
		select relname || '.' || attname from t join pg_attrdef d on d.adrelid = t.oid
		join pg_attribute a on a.attrelid = t.oid and a.attnum = d.adnum
		where pg_get_expr(d.adbin, d.adrelid) like '%nextval(%'`},
	{"is a sequence, view, materialized view or foreign table", plain + `
		select c.relname::text from p, pg_class c join pg_namespace n on n.oid = c.relnamespace
		where n.nspname = p.schema and c.relkind in ('S', 'v', 'm', 'f')
		and not exists (select from pg_depend d join pg_class o on o.oid = d.refobjid
			where d.objid = c.oid and d.deptype in ('a', 'i') and o.relname = any (p.exempt))`},
	{"is a function or procedure", plain + `
		select f.proname::text from p, pg_proc f join pg_namespace n on n.oid = f.pronamespace
		where n.nspname = p.schema
		and not exists (select from pg_depend d where d.objid = f.oid and d.deptype = 'e')`},
	{"is a superuser, has BYPASSRLS, can log in, or can make roles or databases", plain + `
		select rolname::text from p, pg_roles r where rolname = p.role and (rolsuper or rolbypassrls or rolcanlogin or rolcreaterole or rolcreatedb or rolreplication)`},
	{"is a member of another role", plain + `
		select p.role || ' in ' || m.roleid::regrole::text from p, pg_auth_members m where m.member = (select oid from pg_roles where rolname = p.role)`},
	{"is owned by the runtime role", plain + `
		select c.relname::text from p, pg_class c where c.relowner = (select oid from pg_roles where rolname = p.role)
		union all select n.nspname::text from p, pg_namespace n where n.nspowner = (select oid from pg_roles where rolname = p.role)
		union all select d.datname::text from p, pg_database d where d.datdba = (select oid from pg_roles where rolname = p.role)`},
	{"may be done by the runtime role", plain + `
		select 'create in the schema' from p, pg_namespace n where n.nspname = p.schema and has_schema_privilege(p.role, n.oid, 'create')
		union all
		select v || ' on ' || c.relname from p, pg_class c join pg_namespace n on n.oid = c.relnamespace, unnest(array['truncate', 'references', 'trigger']) v
		where n.nspname = p.schema and c.relkind in ('r', 'p') and has_table_privilege(p.role, c.oid, v)
		union all
		select v || ' on ' || c.relname from p, pg_class c join pg_namespace n on n.oid = c.relnamespace, unnest(array['insert', 'update', 'delete']) v
		where n.nspname = p.schema and c.relname = any (p.exempt) and c.relkind = 'r' and has_table_privilege(p.role, c.oid, v)`},
	{"may be got at by others than the owner and the runtime role", plain + `
		select distinct c.relname || ' (by ' || case x.grantee when 0 then 'public' else x.grantee::regrole::text end || ')'
		from p, pg_class c join pg_namespace n on n.oid = c.relnamespace, aclexplode(c.relacl) x
		where n.nspname = p.schema and c.relkind in ('r', 'p') and x.grantee <> c.relowner
		and x.grantee is distinct from (select oid from pg_roles where rolname = p.role)`},
	{"may be granted on by the runtime role", plain + `
		select distinct c.relname::text from p, pg_class c join pg_namespace n on n.oid = c.relnamespace, aclexplode(c.relacl) x
		where n.nspname = p.schema and x.is_grantable and x.grantee = (select oid from pg_roles where rolname = p.role)`},
}

// quote doubles the quotes of a text that is printed into a literal.
func quote(s string) string { return strings.ReplaceAll(s, "'", "''") }
