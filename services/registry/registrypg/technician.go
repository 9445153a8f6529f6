package registrypg

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
)

const technicianColumns = `technician_id, display_name, qualifications, version, created, updated`

// qualification is one element of the column qualifications.
type qualification struct {
	Activity string `json:"activity,omitempty"`
	Kind     string `json:"kind,omitempty"`
	Issuer   string `json:"issuer,omitempty"`
	From     string `json:"from,omitempty"`    // YYYY-MM-DD
	Through  string `json:"through,omitempty"` // YYYY-MM-DD
}

func parseDay(s string) (civil.Mark, error) {
	if s == "" {
		return civil.Mark{}, nil
	}
	var y, m, d int
	if _, err := fmt.Sscanf(s, "%d-%d-%d", &y, &m, &d); err != nil {
		return civil.Mark{}, err
	}
	return civil.MarkOf(y, m, d)
}

func scanTechnician(row pgx.CollectableRow) (t registry.Technician, err error) {
	var raw []byte
	if err := row.Scan(&t.ID, &t.DisplayName, &raw, &t.Version, &t.Created, &t.Updated); err != nil {
		return t, err
	}
	var qs []qualification
	if err := json.Unmarshal(raw, &qs); err != nil {
		return t, err
	}
	for _, q := range qs {
		from, err := parseDay(q.From)
		if err != nil {
			return t, err
		}
		through, err := parseDay(q.Through)
		if err != nil {
			return t, err
		}
		t.Qualifications = append(t.Qualifications, registry.Qualification{Activity: q.Activity, Kind: q.Kind, Issuer: q.Issuer, From: from, Through: through})
	}
	return t, nil
}

func qualifications(t registry.Technician) ([]byte, error) {
	qs := make([]qualification, len(t.Qualifications))
	for i, q := range t.Qualifications {
		qs[i] = qualification{q.Activity, q.Kind, q.Issuer, q.From.String(), q.Through.String()}
	}
	return json.Marshal(qs)
}

// Technicians implements registry.Tx.
func (w *writer) Technicians(ctx context.Context, ids []string) (map[string]registry.Technician, error) {
	const query = `select ` + technicianColumns + ` from technicians where org_id = $1 and technician_id = any ($2)`
	if len(ids) == 0 {
		return map[string]registry.Technician{}, nil
	}
	rows, err := w.tx.Query(ctx, query, w.org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	return byKey(rows, func(row pgx.CollectableRow) (string, registry.Technician, error) {
		t, err := scanTechnician(row)
		return t.ID, t, err
	})
}

// InsertTechnicians implements registry.Tx.
func (w *writer) InsertTechnicians(ctx context.Context, technicians []registry.Technician) error {
	const insert = `insert into technicians (org_id, technician_id, display_name, qualifications, version, created, updated)
		values ($1, $2, $3, $4::text::jsonb, $5, $6, $7)`
	batch := &pgx.Batch{}
	for _, t := range technicians {
		qs, err := qualifications(t)
		if err != nil {
			return pg.Err(err)
		}
		batch.Queue(insert, w.org.UUID, t.ID, t.DisplayName, string(qs), t.Version, t.Created, t.Updated)
	}
	return w.send(ctx, batch)
}

// UpdateTechnician implements registry.Tx.
func (w *writer) UpdateTechnician(ctx context.Context, t registry.Technician) error {
	const update = `update technicians set display_name = $3, qualifications = $4::text::jsonb, version = $5, updated = $6
		where org_id = $1 and technician_id = $2`
	qs, err := qualifications(t)
	if err != nil {
		return pg.Err(err)
	}
	_, err = w.tx.Exec(ctx, update, w.org.UUID, t.ID, t.DisplayName, string(qs), t.Version, t.Updated)
	return pg.Err(err)
}

// Technician returns a technician, or NOT_FOUND.
func (s *Store) Technician(ctx context.Context, org tenant.Org, id string) (registry.Technician, error) {
	const query = `select ` + technicianColumns + ` from technicians where org_id = $1 and technician_id = $2`
	rows, err := read(ctx, s.db, org, scanTechnician, query, org.UUID, id)
	return one(rows, err, resname.TechnicianName(org, id))
}

// ListTechnicians returns an org's technicians after an id, by id.
func (s *Store) ListTechnicians(ctx context.Context, org tenant.Org, after string, limit int) ([]registry.Technician, error) {
	const query = `select ` + technicianColumns + ` from technicians where org_id = $1 and technician_id > $2 order by technician_id limit $3`
	return read(ctx, s.db, org, scanTechnician, query, org.UUID, after, limit)
}
