package registrypg

import (
	"context"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
)

func scanOrg(row pgx.CollectableRow) (o registry.Org, err error) {
	err = row.Scan(&o.ID, &o.DisplayName, &o.Created)
	return o, err
}

// InsertOrg implements registry.Tx.
func (w *writer) InsertOrg(ctx context.Context, o registry.Org) (bool, error) {
	const insert = `insert into orgs (org_id, id, display_name, created) values ($1, $2, $3, $4) on conflict do nothing`
	tag, err := w.tx.Exec(ctx, insert, w.org.UUID, o.ID, o.DisplayName, o.Created)
	return tag.RowsAffected() == 1, pg.Err(err)
}

// Org returns the org, or NOT_FOUND.
func (s *Store) Org(ctx context.Context, org tenant.Org) (registry.Org, error) {
	const query = `select id, display_name, created from orgs where org_id = $1`
	rows, err := read(ctx, s.db, org, scanOrg, query, org.UUID)
	return one(rows, err, org.Name())
}

// Orgs returns the installation's orgs after an id, by id.
func (s *Store) Orgs(ctx context.Context, after string, limit int) ([]registry.Org, error) {
	const query = `select id, display_name, created from orgs where id > $1 order by id limit $2`
	var out []registry.Org
	err := s.db.AcrossOrgs(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, query, after, limit)
		if err != nil {
			return pg.Err(err)
		}
		out, err = pgx.CollectRows(rows, scanOrg)
		return pg.Err(err)
	})
	return out, err
}

const shopColumns = `shop_id, display_name, time_zone, jurisdiction, version, created, updated`

func scanShop(row pgx.CollectableRow) (s registry.Shop, err error) {
	err = row.Scan(&s.ID, &s.DisplayName, &s.TimeZone, &s.Jurisdiction, &s.Version, &s.Created, &s.Updated)
	return s, err
}

// Shops implements registry.Tx.
func (w *writer) Shops(ctx context.Context, ids []string) (map[string]registry.Shop, error) {
	const query = `select ` + shopColumns + ` from shops where org_id = $1 and shop_id = any ($2)`
	if len(ids) == 0 {
		return map[string]registry.Shop{}, nil
	}
	rows, err := w.tx.Query(ctx, query, w.org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	return byKey(rows, func(row pgx.CollectableRow) (string, registry.Shop, error) {
		s, err := scanShop(row)
		return s.ID, s, err
	})
}

// InsertShops implements registry.Tx.
func (w *writer) InsertShops(ctx context.Context, shops []registry.Shop) error {
	const insert = `insert into shops (org_id, shop_id, display_name, time_zone, jurisdiction, version, created, updated)
		values ($1, $2, $3, $4, $5, $6, $7, $8)`
	batch := &pgx.Batch{}
	for _, s := range shops {
		batch.Queue(insert, w.org.UUID, s.ID, s.DisplayName, s.TimeZone, s.Jurisdiction, s.Version, s.Created, s.Updated)
	}
	return w.send(ctx, batch)
}

// UpdateShop implements registry.Tx.
func (w *writer) UpdateShop(ctx context.Context, s registry.Shop) error {
	const update = `update shops set display_name = $3, time_zone = $4, jurisdiction = $5, version = $6, updated = $7
		where org_id = $1 and shop_id = $2`
	_, err := w.tx.Exec(ctx, update, w.org.UUID, s.ID, s.DisplayName, s.TimeZone, s.Jurisdiction, s.Version, s.Updated)
	return pg.Err(err)
}

func (w *writer) send(ctx context.Context, batch *pgx.Batch) error {
	if batch.Len() == 0 {
		return nil
	}
	return pg.Err(w.tx.SendBatch(ctx, batch).Close())
}

// Shop returns a shop, or NOT_FOUND.
func (s *Store) Shop(ctx context.Context, org tenant.Org, id string) (registry.Shop, error) {
	const query = `select ` + shopColumns + ` from shops where org_id = $1 and shop_id = $2`
	rows, err := read(ctx, s.db, org, scanShop, query, org.UUID, id)
	return one(rows, err, resname.ShopName(org, id))
}

// ListShops returns an org's shops after an id, by id.
func (s *Store) ListShops(ctx context.Context, org tenant.Org, after string, limit int) ([]registry.Shop, error) {
	const query = `select ` + shopColumns + ` from shops where org_id = $1 and shop_id > $2 order by shop_id limit $3`
	return read(ctx, s.db, org, scanShop, query, org.UUID, after, limit)
}
