package registrypg

import (
	"context"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
)

const modelColumns = `model_id, display_name, kind, maker, size, attributes, version, created, updated`

func scanModel(row pgx.CollectableRow) (m registry.Model, err error) {
	err = row.Scan(&m.ID, &m.DisplayName, &m.Kind, &m.Maker, &m.Size, &m.Attributes, &m.Version, &m.Created, &m.Updated)
	return m, err
}

// present returns the map itself, or an empty one: the column is never null.
func present(m map[string]string) map[string]string {
	if m == nil {
		return map[string]string{}
	}
	return m
}

// Models implements registry.Tx.
func (w *writer) Models(ctx context.Context, ids []string) (map[string]registry.Model, error) {
	const query = `select ` + modelColumns + ` from models where org_id = $1 and model_id = any ($2)`
	if len(ids) == 0 {
		return map[string]registry.Model{}, nil
	}
	rows, err := w.tx.Query(ctx, query, w.org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	return byKey(rows, func(row pgx.CollectableRow) (string, registry.Model, error) {
		m, err := scanModel(row)
		return m.ID, m, err
	})
}

// InsertModels implements registry.Tx.
func (w *writer) InsertModels(ctx context.Context, models []registry.Model) error {
	const insert = `insert into models (org_id, model_id, display_name, kind, maker, size, attributes, version, created, updated)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`
	batch := &pgx.Batch{}
	for _, m := range models {
		batch.Queue(insert, w.org.UUID, m.ID, m.DisplayName, m.Kind, m.Maker, m.Size, present(m.Attributes), m.Version, m.Created, m.Updated)
	}
	return w.send(ctx, batch)
}

// UpdateModel implements registry.Tx.
func (w *writer) UpdateModel(ctx context.Context, m registry.Model) error {
	const update = `update models set display_name = $3, kind = $4, maker = $5, size = $6, attributes = $7, version = $8, updated = $9
		where org_id = $1 and model_id = $2`
	_, err := w.tx.Exec(ctx, update, w.org.UUID, m.ID, m.DisplayName, m.Kind, m.Maker, m.Size, present(m.Attributes), m.Version, m.Updated)
	return pg.Err(err)
}

// Model returns a model, or NOT_FOUND.
func (s *Store) Model(ctx context.Context, org tenant.Org, id string) (registry.Model, error) {
	const query = `select ` + modelColumns + ` from models where org_id = $1 and model_id = $2`
	rows, err := read(ctx, s.db, org, scanModel, query, org.UUID, id)
	return one(rows, err, resname.ModelName(org, id))
}

// ModelFields are the fields a list of models can be filtered by.
var ModelFields = Columns{"kind": "kind = %s", "maker": "maker = %s", "size": "size = %s"}

// ListModels returns an org's models after an id that the filter shows, by id.
func (s *Store) ListModels(ctx context.Context, org tenant.Org, filter registry.Filter, after string, limit int) ([]registry.Model, error) {
	where, args, err := ModelFields.Where(filter, []any{org.UUID, after, limit})
	if err != nil {
		return nil, err
	}
	return read(ctx, s.db, org, scanModel, `select `+modelColumns+` from models
		where org_id = $1 and model_id > $2 and `+where+` order by model_id limit $3`, args...)
}
