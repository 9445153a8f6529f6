package pg

import (
	"context"
	"fmt"
	"regexp"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"strandline.example/strandline/internal/errs"
)

// extensionSchema is where Migrate puts the extensions; it ends every search_path.
const extensionSchema = "strandline_ext"

// identifier is what a role or schema may be called, so that it can be printed into a statement.
var identifier = regexp.MustCompile(`^[a-z][a-z0-9_]{0,48}$`)

// Config says which database, as whom, and with how many connections.
type Config struct {
	DSN         string          // URL or keyword/value string, as libpq reads it
	Role        string          // runtime role; empty: the DSN's user
	Schema      string          // the service's schema
	MaxConns    int32           // 0: 8
	Application string          // application_name, for those who look at pg_stat_activity; empty: strandline
	Tracer      pgx.QueryTracer // nil: none
}

// DB is a pool of connections bound to one service's role and schema. It is safe for concurrent use.
type DB struct {
	pool *pgxpool.Pool
	conf Config

	mu      sync.Mutex
	waiting map[uuid.UUID]chan struct{}
}

// Committed returns a channel that is closed when this process next commits a writing transaction of an org, through this DB. Whoever wants to
// miss nothing asks for it before looking at what there is; what other processes commit is not told.
func (db *DB) Committed(org uuid.UUID) <-chan struct{} {
	db.mu.Lock()
	defer db.mu.Unlock()
	c := db.waiting[org]
	if c == nil {
		if db.waiting == nil {
			db.waiting = map[uuid.UUID]chan struct{}{}
		}
		c = make(chan struct{})
		db.waiting[org] = c
	}
	return c
}

func (db *DB) committed(org uuid.UUID) {
	db.mu.Lock()
	defer db.mu.Unlock()
	if c := db.waiting[org]; c != nil {
		close(c)
		delete(db.waiting, org)
	}
}

// Open connects as the DSN's user with the runtime role set at start-up, so that `reset role` comes back to it, and
// refuses to go on if that role could step around row-level security. Instants are read in UTC.
func Open(ctx context.Context, c Config) (*DB, error) {
	pc, err := pgxpool.ParseConfig(c.DSN)
	if err != nil {
		return nil, dsnError(err)
	}
	if !identifier.MatchString(c.Schema) || c.Role != "" && !identifier.MatchString(c.Role) {
		return nil, errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("schema %q or role %q is not a plain name", c.Schema, c.Role))
	}
	params := pc.ConnConfig.RuntimeParams
	params["search_path"] = c.Schema + ", " + extensionSchema
	params["jit"] = "off" // statements are short; compiling one costs more than it runs
	params["application_name"] = "strandline"
	if c.Application != "" {
		params["application_name"] = c.Application
	}
	if c.Role != "" && c.Role != pc.ConnConfig.User {
		params["role"] = c.Role
	}
	pc.MaxConns = 8
	if c.MaxConns > 0 {
		pc.MaxConns = c.MaxConns
	}
	pc.ConnConfig.Tracer = c.Tracer
	if pc.ConnConfig.ConnectTimeout == 0 {
		pc.ConnConfig.ConnectTimeout = 10 * time.Second
	}
	pc.AfterConnect = func(_ context.Context, conn *pgx.Conn) error {
		conn.TypeMap().RegisterType(&pgtype.Type{Name: "timestamptz", OID: pgtype.TimestamptzOID, Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC}})
		registerUUID(conn.TypeMap())
		return nil
	}
	pool, err := pgxpool.NewWithConfig(ctx, pc)
	if err != nil {
		return nil, Err(err)
	}
	if err := refuseMighty(ctx, pool); err != nil {
		pool.Close()
		return nil, err
	}
	return &DB{pool: pool, conf: c}, nil
}

// refuseMighty fails if the connection's role is not bound by row-level security, or could get itself out of it.
func refuseMighty(ctx context.Context, pool *pgxpool.Pool) error {
	var role string
	var super, bypass, owner bool
	// A role that may become a superuser, or that inherits an owner's rights, is as mighty as they are.
	err := pool.QueryRow(ctx, `
		select current_user::text,
		       exists (select from pg_roles r where r.rolsuper and pg_has_role(current_user, r.oid, 'member')),
		       exists (select from pg_roles r where r.rolbypassrls and pg_has_role(current_user, r.oid, 'member')),
		       exists (select from pg_class c join pg_namespace n on n.oid = c.relnamespace
		               where c.relkind in ('r', 'p') and n.nspname not in ('pg_catalog', 'information_schema') and n.nspname not like 'pg\_temp\_%'
		               and pg_has_role(current_user, c.relowner, 'usage'))`).Scan(&role, &super, &bypass, &owner)
	if err != nil {
		return Err(err)
	}
	var why string
	switch {
	case super:
		why = "is a superuser or may become one"
	case bypass:
		why = "has BYPASSRLS or may take it on"
	case owner:
		why = "owns tables"
	default:
		return nil
	}
	return errs.New(errs.Precondition, "UNAVAILABLE",
		fmt.Sprintf("the database role %s %s, so row-level security would not bind it; use a role that owns nothing", role, why), "role", role, "why", why)
}

// Close closes the pool after the connections in use have come back.
func (db *DB) Close() { db.pool.Close() }

// Ping says whether the database answers.
func (db *DB) Ping(ctx context.Context) error { return Err(db.pool.Ping(ctx)) }

// Pool returns the pool, for statistics and for listening. Statements on it run outside any org and see no rows.
func (db *DB) Pool() *pgxpool.Pool { return db.pool }

// dsnError says that the DSN cannot be read; pgx takes the password out of its own text.
func dsnError(err error) error {
	return errs.New(errs.Invalid, "INVALID_FIELD", "the database connection string cannot be read: "+err.Error())
}
