package registrypg_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
	"strandline.example/strandline/services/registry/registrypg"
)

func TestMain(m *testing.M) { pgtest.Main(m, registrypg.Schema) }

var (
	now         = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	reef, wreck = tenant.Must("reef"), tenant.Must("wreck")
	part, host  = uuid.MustParse("0193b1c2-6f7e-7a10-8b3e-000000000001"), uuid.MustParse("0193b1c2-6f7e-7a10-8b3e-000000000002")
)

func TestTenancy(t *testing.T) {
	t.Parallel()
	pgtest.CheckTenancy(t, pgtest.New(t), registrypg.Schema)
}

// body is an encoding that a test can read: the feed's own is the RPC layer's.
func body(org tenant.Org, number int64, _ time.Time, _ registry.Change) ([]byte, error) {
	return fmt.Appendf(nil, "%s %d", org.ID, number), nil
}

// seed puts one row of everything into an org, under the same ids in each.
func seed(t *testing.T, s *registrypg.Store, org tenant.Org) {
	t.Helper()
	_, err := s.Found(t.Context(), org, now, func(ctx context.Context, tx registry.Tx) error {
		if _, err := tx.InsertOrg(ctx, registry.Org{ID: org.ID, DisplayName: org.ID, Created: now}); err != nil {
			return err
		}
		if err := tx.InsertShops(ctx, []registry.Shop{{ID: "harbour", DisplayName: org.ID, TimeZone: "UTC", Jurisdiction: "PT", Version: 1, Created: now, Updated: now}}); err != nil {
			return err
		}
		if err := tx.InsertModels(ctx, []registry.Model{{ID: "vest", DisplayName: org.ID, Kind: "bcd", Version: 1, Created: now, Updated: now}}); err != nil {
			return err
		}
		if err := tx.InsertTechnicians(ctx, []registry.Technician{{ID: "ana", DisplayName: org.ID, Version: 1, Created: now, Updated: now}}); err != nil {
			return err
		}
		units := []registry.Unit{}
		for i, id := range []uuid.UUID{part, host} {
			units = append(units, registry.Unit{ID: id, Tag: fmt.Sprint("T-", i), Serial: org.ID, Model: "vest", Kind: "bcd", Shop: "harbour", Commissioned: civil.New(2025, 1, 1), Placements: []registry.Placement{{Shop: "harbour"}}})
		}
		if err := tx.InsertUnits(ctx, units); err != nil {
			return err
		}
		if err := tx.InsertFittings(ctx, []registry.Fitting{{ID: part, Part: part, Host: host, From: now}}); err != nil {
			return err
		}
		return tx.Record(ctx, registry.Change{Unit: &units[0]}, registry.Change{Unit: &units[1]})
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Whatever a statement forgets to ask, it sees and changes rows of its org only.
func TestRowsOfAnotherOrgAreNotThere(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, registrypg.Schema)
	s := registrypg.New(db, body)
	seed(t, s, reef)
	seed(t, s, wreck)
	if err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into request_ids (org_id, request_id, method, digest, response, created) values ($1, $2, 'M', '', '', $3)`, reef.UUID, part, now)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	want := map[string]int{"heads": 1, "changes": 2, "orgs": 1, "shops": 1, "models": 1, "technicians": 1, "units": 2, "unit_placements": 2, "fittings": 1, "request_ids": 1}
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		for table, n := range want {
			var mine, others int
			if err := tx.QueryRow(ctx, `select count(*) filter (where org_id = $1), count(*) filter (where org_id <> $1) from `+table, reef.UUID).Scan(&mine, &others); err != nil {
				return err
			}
			if mine != n || others != 0 {
				t.Errorf("%s: %d rows of ours, want %d, and %d of another org", table, mine, n, others)
			}
		}
		tag, err := tx.Exec(ctx, `update units set serial_number = 'ours'`)
		if err == nil && tag.RowsAffected() != 2 {
			t.Errorf("an update without a condition changed %d rows", tag.RowsAffected())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	u, err := s.Unit(t.Context(), wreck, part)
	if err != nil || u.Serial != "wreck" {
		t.Errorf("got %v, %v", u, err)
	}
	err = db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into shops (org_id, shop_id, display_name, time_zone, jurisdiction, version, created, updated) values ($1, 'x', '', '', '', 1, $2, $2)`, wreck.UUID, now)
		return err
	})
	if pg.Code(err) != "42501" { // row-level security refuses the new row
		t.Errorf("a row of another org: %v", err)
	}
	var n int
	if err := db.Pool().QueryRow(t.Context(), `select count(*) from units`).Scan(&n); err != nil || n != 0 {
		t.Errorf("outside any org: %d units, %v", n, err)
	}
	orgs, err := s.Orgs(t.Context(), "", 10)
	if err != nil || len(orgs) != 2 {
		t.Errorf("got %v, %v", orgs, err)
	}
	heads, err := registrypg.NewFeed(db).Heads(t.Context())
	if err != nil || len(heads) != 2 || heads[0].Org != reef || heads[0].Number != 2 || heads[1].Org != wreck {
		t.Errorf("got %v, %v", heads, err)
	}
}

// What is behind the rules: the constraints refuse what code let through.
func TestConstraintsStandBehindTheRules(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, registrypg.Schema)
	s := registrypg.New(db, body)
	seed(t, s, reef)
	other := uuid.MustParse("0193b1c2-6f7e-7a10-8b3e-000000000003")
	for name, c := range map[string]struct {
		sql, code, constraint string
		args                  []any
	}{
		"two places at once":  {`insert into fittings (org_id, fitting_id, part_id, host_id, place, fitted) values ($1, $2, $3, $4, '', $5)`, pg.ExclusionViolation, "fittings_one_host", []any{reef.UUID, other, part, host, now.Add(time.Hour)}},
		"a fitting to itself": {`insert into fittings (org_id, fitting_id, part_id, host_id, place, fitted) values ($1, $2, $3, $3, '', $4)`, pg.CheckViolation, "fittings_self_check", []any{reef.UUID, other, host, now}},
		"two shops at once":   {`insert into unit_placements (org_id, unit_id, started, shop_id) values ($1, $2, $3, 'harbour')`, pg.ExclusionViolation, "unit_placements_one_shop", []any{reef.UUID, part, now}},
		"a tag twice":         {`update units set asset_tag = 'T' where org_id = $1`, pg.UniqueViolation, "units_tag_living", []any{reef.UUID}},
		"an unknown shop":     {`update units set shop_id = 'gone' where org_id = $1`, pg.ForeignKeyViolation, "units_shop_fkey", []any{reef.UUID}},
	} {
		var raw error
		_ = db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
			_, raw = tx.Exec(ctx, c.sql, c.args...)
			return raw
		})
		if pg.Code(raw) != c.code || !pg.HasConstraint(raw, c.constraint) {
			t.Errorf("%s: got %v", name, raw)
		}
	}
	_, err := s.Write(t.Context(), reef, now, func(ctx context.Context, tx registry.Tx) error {
		return tx.InsertFittings(ctx, []registry.Fitting{{ID: other, Part: part, Host: host, From: now.Add(time.Hour)}})
	})
	if !errs.Is(err, "FITTING_OVERLAP") {
		t.Errorf("got %v", err)
	}
}

func TestAWriteThatFailsLeavesNoNumber(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, registrypg.Schema)
	s := registrypg.New(db, body)
	seed(t, s, reef)
	want := errs.New(errs.Precondition, "ORDER_OF_EVENTS", "no")
	_, err := s.Write(t.Context(), reef, now, func(ctx context.Context, tx registry.Tx) error {
		if err := tx.Record(ctx, registry.Change{}, registry.Change{}); err != nil {
			return err
		}
		return want
	})
	if !errs.Is(err, "ORDER_OF_EVENTS") {
		t.Errorf("got %v", err)
	}
	at, err := s.Write(t.Context(), reef, now, func(ctx context.Context, tx registry.Tx) error { return tx.Record(ctx, registry.Change{}) })
	if err != nil || at != 3 {
		t.Errorf("got %d, %v, want 3", at, err)
	}
	_, err = s.Write(t.Context(), wreck, now, func(context.Context, registry.Tx) error { return nil })
	if !errs.Is(err, "NOT_FOUND") {
		t.Errorf("an org that does not exist: %v", err)
	}
}
