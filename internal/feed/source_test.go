package feed_test

import (
	"context"
	"embed"
	"io/fs"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/feed"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

//go:embed testdata/*.sql
var migrations embed.FS

var logSchema = pg.Schema{Name: "log", Role: "strandline_log", Migrations: sub()}

func sub() fs.FS {
	f, err := fs.Sub(migrations, "testdata")
	if err != nil {
		panic(err)
	}
	return f
}

// The servers' goroutines must be gone when the tests are over.
func TestMain(m *testing.M) {
	os.Exit(pgtest.Run(m, func() error { return goleak.Find() }, logSchema))
}

var (
	reef  = tenant.Must("reef")
	wreck = tenant.Must("wreck")
	start = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
)

// changelog is a service's log in the shape that services keep it in. It counts how often it is read.
type changelog struct {
	db    *pg.DB
	heads atomic.Int64 // calls of Heads
	reads atomic.Int64 // calls of Read
	fail  atomic.Pointer[error]
}

// write appends changes in one transaction, the org's head row locked.
func (l *changelog) write(ctx context.Context, org tenant.Org, labels ...string) error {
	return l.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `insert into heads (org_id, org, number) values ($1, $2, 0) on conflict do nothing`, org.UUID, org.ID); err != nil {
			return err
		}
		var n int64
		if err := tx.QueryRow(ctx, `select number from heads where org_id = $1 for update`, org.UUID).Scan(&n); err != nil {
			return err
		}
		for _, label := range labels {
			n++
			body, err := proto.Marshal(&feedpb.Change{Position: n, Resource: &feedpb.Change_Shop{Shop: &registrypb.Shop{DisplayName: label}}})
			if err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, `insert into changes (org_id, number, body) values ($1, $2, $3)`, org.UUID, n, body); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `update heads set number = $2 where org_id = $1`, org.UUID, n)
		return err
	})
}

func (l *changelog) Heads(ctx context.Context) (heads []feed.Head, err error) {
	l.heads.Add(1)
	if e := l.fail.Load(); e != nil {
		return nil, *e
	}
	err = l.db.AcrossOrgs(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select org, number from heads`)
		if err != nil {
			return err
		}
		heads, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (h feed.Head, err error) {
			var id string
			err = row.Scan(&id, &h.Number)
			h.Org = tenant.Must(id)
			return h, err
		})
		return err
	})
	return heads, err
}

func (l *changelog) Read(ctx context.Context, org tenant.Org, after int64, limit int) (changes []*feedpb.Change, head int64, err error) {
	l.reads.Add(1)
	err = l.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if err := tx.QueryRow(ctx, `select coalesce(max(number), 0) from heads where org_id = $1`, org.UUID).Scan(&head); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, `select body from changes where org_id = $1 and number > $2 order by number limit $3`, org.UUID, after, limit)
		if err != nil {
			return err
		}
		changes, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*feedpb.Change, error) {
			var body []byte
			if err := row.Scan(&body); err != nil {
				return nil, err
			}
			c := &feedpb.Change{}
			return c, proto.Unmarshal(body, c)
		})
		return err
	})
	return changes, head, err
}

// rig is a log, a feed server over it behind the whole interceptor chain, and a client with a service's token.
type rig struct {
	log    *changelog
	server *feed.Server
	key    *auth.Key
	grpc   *rpc.Server
	clock  *clock.Fake
	client feedpb.FeedServiceClient
}

func newRig(t *testing.T, poll time.Duration) *rig {
	t.Helper()
	r := &rig{log: &changelog{db: pgtest.New(t).Open(t, logSchema)}, clock: clock.NewFake(start)}
	var err error
	if r.key, err = auth.NewKey(); err != nil {
		t.Fatal(err)
	}
	r.server = feed.NewServer(r.log, r.clock, poll)
	r.grpc = rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(r.key.Public()), Clock: r.clock})
	feedpb.RegisterFeedServiceServer(r.grpc, r.server)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 10*time.Second)
		defer cancel()
		r.server.Close()
		if err := r.grpc.Drain(ctx); err != nil {
			t.Errorf("drain: %v", err)
		}
	})
	r.client = r.as(t, grpc.WithPerRPCCredentials(rpc.ServiceToken(r.key, "compliance", r.clock)))
	return r
}

func (r *rig) as(t *testing.T, options ...grpc.DialOption) feedpb.FeedServiceClient {
	t.Helper()
	conn, err := r.grpc.InProcess(options...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return feedpb.NewFeedServiceClient(conn)
}

func (r *rig) write(t *testing.T, org tenant.Org, labels ...string) {
	t.Helper()
	if err := r.log.write(t.Context(), org, labels...); err != nil {
		t.Fatal(err)
	}
}

// labels returns n labels that are different.
func labels(n int) []string {
	s := make([]string, n)
	for i := range s {
		s[i] = "shop " + strings.Repeat("i", 1+i%7)
	}
	return s
}
