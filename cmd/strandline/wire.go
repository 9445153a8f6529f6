package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pg/private"
	"strandline.example/strandline/internal/stack"
)

// stack returns what the services are built from, as the settings say.
func (a *app) stack(dsn string, key *auth.Key, log *slog.Logger) stack.Config {
	return stack.Config{
		DSN: dsn, Key: key, Clock: a.clk, Log: log,
		MaxConns: int32(a.set.MaxConns), Spool: filepath.Join(a.set.Data, "spool"), MaxImport: int64(a.set.MaxImport) << 20,
	}
}

// database returns the database of the run and how to let go of it: the one of the settings, or a private one that is started and
// migrated.
func (a *app) database(ctx context.Context, log *slog.Logger) (db *database, err error) {
	if a.set.DSN != "" {
		return &database{dsn: a.set.DSN, stop: func() error { return nil }}, nil
	}
	patience := a.set.Timeout
	if patience <= 0 {
		patience = 30 * time.Second
	}
	wait, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	unlock, err := a.lockData(wait)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(filepath.Join(a.set.Data, "postgres")); errors.Is(err, fs.ErrNotExist) && !log.Enabled(ctx, slog.LevelInfo) {
		a.talkf("Making a private database in %s ...", a.set.Data)
	}
	srv, err := private.Start(ctx, private.Config{Dir: a.set.Data, Logf: func(format string, args ...any) {
		log.Info("postgres: " + strings.TrimSpace(fmt.Sprintf(format, args...)))
	}})
	if err != nil {
		return nil, errors.Join(err, unlock())
	}
	db = &database{dsn: srv.DSN(), exited: srv.Exited(), stop: func() error { return errors.Join(srv.Stop(), unlock()) }}
	if err := pg.Migrate(ctx, srv.DSN(), stack.Schemas()...); err != nil {
		return nil, errors.Join(err, db.stop())
	}
	return db, nil
}

// database is where the services keep what they know.
type database struct {
	dsn    string
	exited <-chan struct{} // closed when a private one has ended; nil for another
	stop   func() error
}
