package pg

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"strandline.example/strandline/internal/errs"
)

// Schema is what a service keeps in the database.
type Schema struct {
	Name       string // of the PostgreSQL schema
	Role       string // the runtime role
	Migrations fs.FS  // goose files, *.sql, at the root
}

// versionTable is where goose keeps what it has run, in each schema.
const versionTable = "goose_version"

// Migrate makes the roles, the schemas and everything in them, up to the newest migration. The admin must be able to
// create roles and schemas; it owns what is made. It is safe to run at any time, also from several processes at once.
func Migrate(ctx context.Context, adminDSN string, schemas ...Schema) error {
	conf, err := pgx.ParseConfig(adminDSN)
	if err != nil {
		return dsnError(err)
	}
	if conf.ConnectTimeout == 0 {
		conf.ConnectTimeout = 10 * time.Second
	}
	conf.RuntimeParams["application_name"] = "strandline migrate"
	for _, s := range schemas {
		if !identifier.MatchString(s.Name) || !identifier.MatchString(s.Role) {
			return errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("schema %q or role %q is not a plain name", s.Name, s.Role))
		}
	}
	if err := prepare(ctx, conf, schemas); err != nil {
		return migrateError("prepare the database", err)
	}
	for _, s := range schemas {
		if err := migrateSchema(ctx, conf, s); err != nil {
			return migrateError("migrate schema "+s.Name, err)
		}
	}
	return nil
}

// prepare makes roles, extension and schemas.
func prepare(ctx context.Context, conf *pgx.ConnConfig, schemas []Schema) error {
	conn, err := pgx.ConnectConfig(ctx, conf)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()

	var admin string
	if err := conn.QueryRow(ctx, `select quote_ident(current_user)`).Scan(&admin); err != nil {
		return err
	}
	steps := []string{
		`create schema if not exists ` + extensionSchema,
		`create extension if not exists btree_gist with schema ` + extensionSchema,
	}
	for _, s := range schemas {
		// A role belongs to the whole cluster: another database's migration may be making it at this moment.
		steps = append(steps,
			`do $$ begin
				if not exists (select from pg_roles where rolname = '`+s.Role+`') then
					create role `+s.Role+` nologin nosuperuser nobypassrls nocreatedb nocreaterole;
				end if;
			end $$`,
			`do $$ begin
				if not pg_has_role(current_user, '`+s.Role+`', 'member')
				or not exists (select from pg_auth_members where roleid = '`+s.Role+`'::regrole and member = current_user::regrole) then
					grant `+s.Role+` to `+admin+`;
				end if;
			end $$`,
			`create schema if not exists `+s.Name,
			`grant usage on schema `+s.Name+`, `+extensionSchema+` to `+s.Role,
		)
	}
	for _, step := range steps {
		if err := repeatRaces(ctx, func() error {
			_, err := conn.Exec(ctx, step)
			return err
		}); err != nil {
			return fmt.Errorf("%s: %w", step, err)
		}
	}
	return nil
}

// repeatRaces runs fn again while it fails because somebody else makes the same thing at the same time. `if not exists`
// does not wait for a concurrent creator, and two grants can meet in one catalog row.
func repeatRaces(ctx context.Context, fn func() error) error {
	for try := 0; ; try++ {
		err := fn()
		switch Code(err) {
		case "42710", "42P06", "23505", "XX000", "40001", "40P01":
			if try == 50 {
				return err
			}
		default:
			return err
		}
		if perr := wait(ctx, 20*time.Millisecond); perr != nil {
			return perr
		}
	}
}

func migrateSchema(ctx context.Context, conf *pgx.ConnConfig, s Schema) error {
	own := conf.Copy()
	own.RuntimeParams["search_path"] = s.Name + ", " + extensionSchema
	db := stdlib.OpenDB(*own)
	defer func() { _ = db.Close() }()
	p, err := goose.NewProvider(goose.DialectPostgres, db, s.Migrations,
		goose.WithTableName(s.Name+"."+versionTable),
		goose.WithSessionLocker(sessionLock(crc32.ChecksumIEEE([]byte("strandline migrate "+s.Name)))),
		goose.WithDisableGlobalRegistry(true),
		goose.WithLogger(goose.NopLogger()))
	if err != nil {
		return err
	}
	if _, err = p.Up(ctx); err != nil {
		return err
	}
	// The service asks at start-up whether its schema is new enough ([DB.Migrated]).
	return repeatRaces(ctx, func() error {
		_, err := db.ExecContext(ctx, `grant select on `+s.Name+`.`+versionTable+` to `+s.Role)
		return err
	})
}

// sessionLock is goose's session locker over one advisory lock, with a pause between tries that is short beside a
// migration (goose's own has a second at least).
type sessionLock uint32

var _ lock.SessionLocker = sessionLock(0)

// SessionLock waits for the lock until ctx ends.
func (l sessionLock) SessionLock(ctx context.Context, conn *sql.Conn) error {
	for {
		var got bool
		if err := conn.QueryRowContext(ctx, `select pg_try_advisory_lock($1)`, int64(l)).Scan(&got); err != nil {
			return err
		}
		if got {
			return nil
		}
		if err := wait(ctx, 25*time.Millisecond); err != nil {
			return err
		}
	}
}

// SessionUnlock gives the lock back.
func (l sessionLock) SessionUnlock(ctx context.Context, conn *sql.Conn) error {
	var had bool
	if err := conn.QueryRowContext(ctx, `select pg_advisory_unlock($1)`, int64(l)).Scan(&had); err != nil {
		return err
	}
	if !had {
		return errors.New("the migration lock was not held")
	}
	return nil
}

func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// migrateError keeps the database's text: it goes to whoever runs the migration, not to a client.
func migrateError(what string, err error) error {
	e := errs.As(Err(err))
	kind, reason := errs.Internal, "INTERNAL"
	if e != nil {
		kind, reason = e.Kind, e.Reason
	}
	return errs.New(kind, reason, what).Because(err)
}
