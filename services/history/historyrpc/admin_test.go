package historyrpc_test

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// admin returns a connection as the database's superuser, whom neither grants nor policies bind.
func (r *rig) admin() *pgx.Conn {
	r.t.Helper()
	conn, err := pgx.Connect(r.t.Context(), r.database.DSN())
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(r.t.Context())) })
	return conn
}

func (r *rig) queryInt(sql string, args ...any) (n int) {
	r.t.Helper()
	conn := r.admin()
	if err := conn.QueryRow(r.t.Context(), sql, args...).Scan(&n); err != nil {
		r.t.Fatal(err)
	}
	_ = conn.Close(r.t.Context())
	return n
}
